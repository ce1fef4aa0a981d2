"""What an instruction reads and writes: registers by its row, bytes of memory by the address that it is given."""

from __future__ import annotations

from interp.optable import Insn, Loc
from interp.words import zext64


def sources(insn: Insn, fr: bool) -> tuple[Loc, ...]:
    """The registers read; a doubleword without FR is its even-odd pair, high word first."""
    return _locs(insn, insn.row.reads, insn.row.fp_in == 64 and not fr)


def targets(insn: Insn, fr: bool) -> tuple[Loc, ...]:
    """The registers written; register 0 is listed though it stays 0."""
    return _locs(insn, insn.row.results, insn.row.fp_out == 64 and not fr)


def span(insn: Insn, base: int) -> tuple[int, int]:
    """Address (unsigned 64 bits) and number of the bytes that a load or store moves, ``base`` in s."""
    address, size = zext64(base + insn.imm), insn.row.access
    byte = address % size
    if insn.row.reach == "left":
        return address, size - byte
    return (address - byte, byte + 1) if insn.row.reach == "right" else (address, size)


def _locs(insn: Insn, names: tuple[str, ...], paired: bool) -> tuple[Loc, ...]:
    locs: list[Loc] = []
    for file, n in map(insn.loc, names):
        locs += [(file, n | 1), (file, n & ~1)] if paired and file == "fpr" else [(file, n)]
    return tuple(locs)
