"""Unicorn and qemu-mips64 as judges of floating-point rows, and where they are known to differ.

They have the IEEE results of what the chip leaves to software, and so has the reference here. FS is not asked about:
neither flushes as the chip does (``flush-up``, ``flush-down`` and ``flush-flags`` among the faults of Unicorn).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from random import Random
from typing import Any

import unicorn
from float_chip import SIGN_OPERATIONS, TRAPS, Operation, operation
from float_judgement import controls, shares
from float_probes import (
    CASES,
    CASES_AT,
    CODE_AT,
    MARK,
    RESULTS,
    RESULTS_AT,
    Case,
    Left,
    packed,
    program,
    reference,
    unpacked,
)
from integer_judges import GPR, QEMU_AT, run_in_qemu
from unicorn import mips_const

from interp.optable import Row

FPE, SIGFPE = 23, 8  # the exception's number in Unicorn, and the signal that Linux makes of it
_MARKS = {0: 0, SIGFPE: TRAPS.index("fp-exception")}


def cases_of(row: Row, part: int) -> list[Case]:
    """One in ``part`` of the operands of a row in all rounding modes, with FCR31 before."""
    random = Random(f"{row.name} engines")
    return [(a, b, controls(random, mode)) for mode, _, operands in shares(row, part) for a, b in operands]


def converts_doublewords(row: Row) -> bool:
    """Whether a row converts from or to doublewords; these need FR = 1 in Unicorn."""
    op = operation(row)
    return "l" in (op.source, op.to)


def unicorn_left(row: Row, cases: Sequence[Case], fr: bool) -> list[Left]:
    """What Unicorn leaves; its R4000 has no conversions of doublewords, its VR5432 has them where CU3 is set."""
    model, status = mips_const.UC_CPU_MIPS64_R4000, 0x2000_0000
    if converts_doublewords(row):
        model, status = mips_const.UC_CPU_MIPS64_VR5432, 0xB000_0000
    uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
    uc.ctl_set_cpu_model(model)
    uc.mem_map(0, 0x200_0000)
    uc.reg_write(mips_const.UC_MIPS_REG_CP0_STATUS, status | fr << 26)
    made, operands = program([(row, len(cases))], CODE_AT), packed(cases)
    for address, data in ((CODE_AT, made.code), (CASES_AT, operands)):
        uc.mem_write(address & 0x1FFF_FFFF, data)
    for register, address in ((CASES, CASES_AT), (RESULTS, RESULTS_AT)):
        uc.reg_write(GPR + register, address)
    raised: list[int] = []

    def interrupted(uc: Any, number: int, _: Any) -> None:
        raised.append(number)
        uc.emu_stop()

    uc.hook_add(unicorn.UC_HOOK_INTR, interrupted)
    uc.emu_start(CODE_AT, made.end)
    while raised:  # only a probe can have done it
        assert raised.pop() == FPE
        uc.reg_write(GPR + MARK, TRAPS.index("fp-exception"))
        uc.emu_start(made.probe + 4, made.end)
    return unpacked(bytes(uc.mem_read(RESULTS_AT & 0x1FFF_FFFF, len(operands))))


def qemu_left(parts: Sequence[tuple[Row, Sequence[Case]]], folder: Path) -> Iterator[list[Left]]:
    """What qemu-mips64 leaves of the cases of each row, in a Linux process with FR = 1."""
    code = program([(row, len(cases)) for row, cases in parts], QEMU_AT).code
    printed = run_in_qemu(code, packed([case for _, cases in parts for case in cases]), folder)
    left = iter([(fd, fcsr, _MARKS[mark]) for fd, fcsr, mark in unpacked(printed)])
    for _, cases in parts:
        yield list(islice(left, len(cases)))


@dataclass(frozen=True)
class Difference:
    """What engines do otherwise.

    ``faults`` are the ids of the entries that the Unicorn leg has for it. ``theirs`` gives what they leave, or None
    where the difference does not apply; it is given the operation, the case and what the reference leaves.
    """

    id: str
    engines: str
    faults: str
    rows: str
    theirs: Callable[[Operation, Case, Left], Left | None]
    source: str


def _sign_bit(op: Operation, case: Case, _ours: Left) -> Left | None:
    """The sign changes and nothing else: no signal, and the old cause stays."""
    a, _, fcsr = case
    assert op.stem in SIGN_OPERATIONS and op.operand is not None
    return (a & ~op.operand.sign if op.stem == "abs" else a ^ op.operand.sign), fcsr, 0


def _cut_nan(op: Operation, case: Case, ours: Left) -> Left | None:
    """The fraction of a quiet NaN is cut off, down to an infinity."""
    assert op.operand is not None and op.result is not None
    if not op.operand.is_quiet(case[0]):
        return None
    return case[0] >> 32 & op.result.sign | op.result.infinity | (case[0] & (1 << 52) - 1) >> 29, *ours[1:]


def _default_nan(op: Operation, case: Case, ours: Left) -> Left | None:
    """The default NaN instead of the operand's."""
    layout = op.operand
    assert layout is not None and op.result is not None
    nans = [bits for bits in case[:2] if layout.is_nan(bits)]
    return (op.result.default_nan, *ours[1:]) if nans and all(map(layout.is_quiet, nans)) else None


_LEFT_TO_SOFTWARE = "the chip leaves it to software: R4K p. 196, V5K p. 211"

DIFFERENCES = (
    Difference(
        "sign-bit",
        "Unicorn QEMU",
        "abs-quiet-nan neg-denormal abs-signalling-nan neg-signalling-nan stale-cause",
        "abs.s abs.d neg.s neg.d",
        _sign_bit,
        "R4K p. 193, V5K p. 191; measured on Unicorn 2.1.4 and qemu-mips64 7.2",
    ),
    Difference(
        "cut-nan",
        "Unicorn",
        "quiet-nan-narrowed",
        "cvt.s.d",
        _cut_nan,
        f"{_LEFT_TO_SOFTWARE}; measured on Unicorn 2.1.4",
    ),
    Difference(
        "default-nan",
        "QEMU",
        "",
        "add.s add.d sub.s sub.d mul.s mul.d div.s div.d sqrt.s sqrt.d cvt.s.d cvt.d.s",
        _default_nan,
        f"{_LEFT_TO_SOFTWARE}; measured on qemu-mips64 7.2",
    ),
)


@dataclass
class EngineVerdict:
    """How many cases an engine ran, how many differed by known difference, and the cases that nothing explains."""

    cases: int
    differed: dict[str, int]
    unexplained: list[str]


def judge(engine: str, row: Row, cases: Sequence[Case], left: Sequence[Left], fr: bool) -> EngineVerdict:
    """Holds what an engine left against the reference."""
    op, mask = operation(row), (1 << row.fp_out) - 1
    known = [entry for entry in DIFFERENCES if engine in entry.engines.split() and row.name in entry.rows.split()]
    verdict = EngineVerdict(len(cases), {}, [])
    for case, ours, theirs in zip(cases, reference(row, cases, fr, ieee=True), left, strict=True):
        expected = ours
        for entry in known:
            other = entry.theirs(op, case, ours)
            if other is not None and ((other[0] ^ ours[0]) & mask, *other[1:]) != (0, *ours[1:]):
                expected = other
                verdict.differed[entry.id] = verdict.differed.get(entry.id, 0) + 1
        if ((theirs[0] ^ expected[0]) & mask, *theirs[1:]) != (0, *expected[1:]):
            texts = [f"{fd & mask:x} fcsr {fcsr:08x} {TRAPS[trap]}".rstrip() for fd, fcsr, trap in (ours, theirs)]
            a, b, fcsr = case
            verdict.unexplained.append(
                f"{row.name} {a:x} {b:x} fcsr {fcsr:08x}: reference {texts[0]}, {engine} {texts[1]}"
            )
    return verdict
