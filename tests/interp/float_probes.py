"""Programs of floating-point probes: one instruction in a loop over its cases, the same program for every engine.

    a case, 3 doublewords               fs, ft (what is narrower in the low half), FCR31 before; fd holds the latter too
    results of a case, 3 doublewords    fd, FCR31 after, which exception there was (an index into TRAPS)

An exception ends no program: who runs it sets the mark and goes on behind the probe.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import NamedTuple

from float_chip import TRAPS

from harness.program.assembly import encode
from interp.machine import Machine
from interp.memory import PAGE, Memory
from interp.optable import Row

#: Registers of the loop; the runner sets all but END and SCRATCH.
CASES, RESULTS, END, SCRATCH, MARK, RETURN = 20, 21, 22, 24, 25, 28
FS, FT, FD = 2, 4, 6
SIZE = 24

CODE_AT, CASES_AT, RESULTS_AT = (0xFFFF_FFFF_8000_0000 + place for place in (0x1000, 0x10_0000, 0x100_0000))

#: fs, ft, FCR31 before.
Case = tuple[int, int, int]
#: fd and FCR31 after, index into TRAPS.
Left = tuple[int, int, int]


class Program(NamedTuple):
    """Code at an address, that of the last probe, and where its loop ends."""

    code: bytes
    probe: int
    end: int


def word_of(row: Row) -> int:
    """The instruction with its operands in FS, FT and FD."""
    numbers = {"fs": FS, "ft": FT, "fd": FD}
    return encode(row.name, **{field: numbers[field] for field in row.syntax.split(",")})


def program(parts: Sequence[tuple[Row, int]], address: int) -> Program:
    """The probes of rows, each on a number of cases, one loop after another; ends with a jump to RETURN."""
    words: list[int] = []
    probe = end = address
    for row, count in parts:
        size = SIZE * count
        start = [
            encode("lui", t=SCRATCH, i=size >> 16),
            encode("ori", t=SCRATCH, s=SCRATCH, i=size & 0xFFFF),
            encode("daddu", d=END, s=CASES, t=SCRATCH),
        ]
        loop = [*_BEFORE, word_of(row), *_AFTER]
        probe = address + 4 * (len(words) + len(start) + len(_BEFORE))
        words += [*start, *loop, encode("bne", s=CASES, t=END, i=-len(loop) - 1), encode("sll")]
        end = address + 4 * len(words)
    words += [encode("jr", s=RETURN), encode("sll")]
    return Program(struct.pack(f">{len(words)}I", *words), probe, end)


_BEFORE = (
    encode("ldc1", ft=FS, s=CASES, i=0),
    encode("ldc1", ft=FT, s=CASES, i=8),
    encode("ldc1", ft=FD, s=CASES, i=16),
    encode("ld", t=SCRATCH, s=CASES, i=16),
    encode("or", d=MARK),
    encode("ctc1", t=SCRATCH, d=31),
)
_AFTER = (
    encode("cfc1", t=SCRATCH, d=31),
    encode("sdc1", ft=FD, s=RESULTS, i=0),
    encode("sd", t=SCRATCH, s=RESULTS, i=8),
    encode("sd", t=MARK, s=RESULTS, i=16),
    encode("daddiu", t=CASES, s=CASES, i=SIZE),
    encode("daddiu", t=RESULTS, s=RESULTS, i=SIZE),
)


def packed(cases: Sequence[Case]) -> bytes:
    """Cases as the program reads them."""
    return struct.pack(f">{3 * len(cases)}Q", *(value for case in cases for value in case))


def unpacked(data: bytes) -> list[Left]:
    """Results as the program wrote them."""
    return list(struct.Struct(">3Q").iter_unpack(data))


def _pages(data: bytes) -> bytes:
    return data + bytes(-len(data) % PAGE)


def reference(row: Row, cases: Sequence[Case], fr: bool, ieee: bool) -> list[Left]:
    """What the reference leaves of each case."""
    made = program([(row, len(cases))], CODE_AT)
    operands = packed(cases)
    memory = Memory()
    memory.map(CODE_AT, _pages(made.code), writable=False)
    memory.map(CASES_AT, _pages(operands), writable=False, executable=False)
    memory.map(RESULTS_AT, bytes(len(_pages(operands))), writable=True)
    machine = Machine(memory, fr, ieee)
    machine.slots[CASES], machine.slots[RESULTS] = CASES_AT - (1 << 64), RESULTS_AT - (1 << 64)
    fuel = 20 * len(cases)
    stop = machine.run(CODE_AT, made.end, fuel)
    while stop.kind == "trap":
        assert stop.at == made.probe, (stop, row.name)
        machine.slots[MARK] = TRAPS.index(stop.trap)
        stop = machine.run(stop.at + 4, made.end, fuel)
    assert stop.kind == "returned", stop
    return unpacked(memory.read(RESULTS_AT, len(operands)))
