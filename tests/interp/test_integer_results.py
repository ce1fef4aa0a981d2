"""What integer rows return, on the operands of the probes: signed doublewords, and words where the row says so.

The machine relies on both: a register value is that signed number, and operands known to be words are not checked.
"""

from __future__ import annotations

from random import Random

import pytest
from integer_probes import INTEGER, Cell, Operands, cells_of

from interp.events import GuestTrap
from interp.memory import PAGE, Memory
from interp.optable import Kind, Row
from interp.words import sext32, sext64

DATA = -0x8000_0000
RETURNING = [row for row in INTEGER if row.kind in (Kind.ALU, Kind.LOAD) or row.name in ("sc", "scd")]


def memory() -> Memory:
    """A page of random bytes, bit 7 set in half of them."""
    mapped = Memory()
    mapped.map(DATA, Random(1).randbytes(PAGE), writable=True)
    return mapped


def returned(row: Row, cell: Cell, case: Operands, mem: Memory) -> tuple[dict[str, int], tuple[int, ...]]:
    """The registers that a row reads in a case, and its results, none if it traps."""
    s, t = cell.seen(case)
    insn = cell.insn
    registers = {"s": DATA + s if row.access else s, "t": t, "hi": sext64(case.x), "lo": sext64(case.y)}
    constants = {"i": insn.imm, "u": insn.uimm, "a": insn.a, "a32": insn.a + 32, "n": row.access}
    values = {**registers, **constants, "mem": mem}
    try:
        results = row.meaning(*(values[name] for name in row.operands))
    except GuestTrap:
        results = ()
    return {name: registers[name] for name in row.reads}, results if isinstance(results, tuple) else (results,)


@pytest.mark.parametrize("row", RETURNING, ids=lambda row: row.name)
def test_results_are_signed_doublewords_and_words_where_the_row_says_so(row: Row) -> None:
    mem = memory()
    wide = 0
    for cell in cells_of(row):
        for case in cell.cases[::4]:
            reads, results = returned(row, cell, case, mem)
            assert all(type(result) is int and result == sext64(result) for result in results)
            words = all(result == sext32(result) for result in results)
            inherits = row.narrow == "inherits" and all(value == sext32(value) for value in reads.values())
            if row.narrow == "always" or inherits:
                assert words, f"{row.name} of {reads} gives {results}"
            wide += not words
    assert wide or row.narrow == "always", "a row whose results are always words says so"
