"""Holds the floating-point rows of the table against judges of arithmetic, through the whole machine.

A judge answers with an IEEE result and flags; ``float_chip.after`` says what the instruction leaves then. Each case
runs in both views of the registers (FR) and both ways with what the chip leaves to software; of FR = 0 and FR = 1 one
has FS set. Sticky flags, old causes and enables are random, a quarter of the cases has some enables.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from random import Random

from float_chip import (
    CAUSE,
    CONDITION,
    ENABLE,
    FLAG,
    FLUSH,
    TRAPS,
    After,
    Answer,
    Judge,
    Operation,
    Pair,
    after,
    operation,
)
from float_operands import cases
from float_probes import Case, Left, reference

from interp.optable import ROWS, Kind, Row

FLOAT_ROWS = tuple(row for row in ROWS if row.kind is Kind.FLOAT)
MODES = ("nearest", "to zero", "up", "down")


@dataclass
class Verdict:
    """What one judge said of one row in one mode: how many operands it judged, on how many the reference differed.

    ``examples`` are the first few differences, each in one line.
    """

    row: Row
    mode: str
    judge: str
    cases: int = 0
    differences: int = 0
    examples: list[str] = field(default_factory=list)

    def differ(self, example: str) -> None:
        """Counts a difference."""
        self.differences += 1
        if len(self.examples) < 5:
            self.examples.append(example)


def rounds(row: Row) -> bool:
    """Whether the rounding mode of FCR31 has a part in a row."""
    return "rm" in row.operands


def shares(row: Row, part: int) -> Iterator[tuple[int, str, Sequence[Pair]]]:
    """Mode, its name, and the operands for it: all in each mode, or a quarter in each where the mode has no part."""
    operands = cases(row, part)
    for mode, name in enumerate(MODES):
        yield (mode, name, operands) if rounds(row) else (mode, "any", operands[mode::4])


def controls(random: Random, mode: int) -> int:
    """FCR31 before, without FS: RM, sticky flags, an old cause that raises nothing, C; some enables in a quarter."""
    bits = random.getrandbits(18)
    enables = bits >> 5 & 0x1F if bits >> 16 == 0 else 0
    causes = bits >> 10 & 0x1F & ~enables
    return mode | (bits & 0x1F) << FLAG | enables << ENABLE | causes << CAUSE | (bits >> 15 & 1) * CONDITION


def judged(row: Row, judges: Sequence[Judge], part: int = 1, thorough: bool = True) -> Iterator[Verdict]:
    """Runs a row on one in ``part`` of its operands; a verdict for each mode and judge that can judge any of it.

    Each operand runs in all four ways if ``thorough``, else in two of them, other ones from mode to mode.
    """
    op = operation(row)
    for mode, name, operands in shares(row, part):
        verdicts = [Verdict(row, name, judge.name) for judge in judges]
        answers = [judge.answers(op, mode, operands) for judge in judges]
        for verdict, answered in zip(verdicts, answers, strict=True):
            verdict.cases = sum(answer is not None for answer in answered)
        random = Random(f"{row.name} {mode}")
        fcsrs = [controls(random, mode) for _ in operands]
        for fr, ieee in product((True, False), repeat=2):
            if not thorough and (fr ^ ieee ^ mode) & 1:
                continue
            runs = [
                (a, b, fcsr | (FLUSH if (number ^ fr) & 1 else 0))
                for number, ((a, b), fcsr) in enumerate(zip(operands, fcsrs, strict=True))
            ]
            left = reference(row, runs, fr, ieee)
            _hold(verdicts, op, runs, left, list(zip(*answers, strict=True)), ieee)
        yield from (verdict for verdict in verdicts if verdict.cases)


def _hold(
    verdicts: Sequence[Verdict], op: Operation, runs: Sequence[Case], left: Sequence[Left],
    answered: Sequence[tuple[Answer | None, ...]], ieee: bool,
) -> None:  # fmt: skip
    for case, ours, answers in zip(runs, left, answered, strict=True):
        agreed = None  # the judges mostly say the same
        for verdict, answer in zip(verdicts, answers, strict=True):
            if answer is None or answer == agreed:
                continue
            expected = after(op, *case, answer, ieee)
            if _same(verdict.row, op, case, ours, expected):
                agreed = answer
            else:
                verdict.differ(told(verdict.row, case, ours, expected))


def _same(row: Row, op: Operation, case: Case, ours: Left, expected: After) -> bool:
    if ours[1:] != expected[1:]:
        return False
    mask = (1 << row.fp_out) - 1
    fd = case[2] if expected.bits is None else expected.bits
    return (ours[0] ^ fd) & mask == 0 or _both_quiet(op, ours[0] & mask, fd)


def _both_quiet(op: Operation, one: int, other: int) -> bool:
    """Whether two results are quiet NaNs: which one, the manuals leave to the software that finishes the operation."""
    return op.result is not None and op.result.is_quiet(one) and op.result.is_quiet(other)


def told(row: Row, case: Case, ours: Left, theirs: After) -> str:
    """One difference in one line."""
    a, b, fcsr = case
    left = After(ours[0] & (1 << row.fp_out) - 1, *ours[1:])
    return f"{row.name} {a:x} {b:x} fcsr {fcsr:08x}: reference {_told(left)}, judge {_told(theirs)}"


def _told(left: After) -> str:
    bits = "untouched" if left.bits is None else f"{left.bits:x}"
    return f"{bits} fcsr {left.fcsr:08x} {TRAPS[left.trap]}".rstrip()
