"""Programs of integer probes: one instruction at a time on many operands, the same program for every judge.

A row is probed in *cells*. A cell fixes the word (registers, immediate, amount) and runs it in a loop over its cases:

    operands of a case, 4 doublewords    s, t, x, y: what the registers hold; x and y are HI and LO before, or 16 bytes
                                         of memory; y is also the destination before, where that is no operand
    results of a case, 4 doublewords     the destination (t, or s, where the row has none), HI and LO or the memory
                                         after, and which exception there was

Addresses in registers are told from a base, so that results do not depend on where a program and its data are. A
branch or jump skips one of the additions behind it: its destination is a counter that tells which of them ran, and HI
the link. An exception ends no program: who runs it sets the mark and goes on behind the probe.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import count, islice
from random import Random
from typing import NamedTuple

from integer_operands import IMMEDIATES, pairs, singles, value

from harness.program.assembly import encode
from interp.optable import ROWS, Insn, Kind, Row, decode
from interp.words import sext, sext64, zext64

#: Registers of the frame round a probe; the runner sets all but END, SCRATCH and CODE.
OPERANDS, RESULTS, END, DATA, SCRATCH, MARK, CODE, RETURN = 20, 21, 22, 23, 24, 25, 26, 28
#: Registers that a probe may use, besides 0; the stack pointer is left alone.
POOL = (*range(1, 20), 30, 31)

#: The exceptions that a probe can raise; the mark of a case is an index into this, 0 for none.
TRAPS = ("", "overflow", "trap", "address-error-load", "address-error-store")

RECORD = struct.Struct(">4Q")
#: Cases of a cell with an unusual choice of registers, or with open operands, and how many of the latter there are.
UNUSUAL_CASES, OPEN_CELLS = 64, 8

_OTHER_FILES = {"fs", "ft", "fd", "fcsr", "c0"}
_BRANCHES = (Kind.BRANCH, Kind.LIKELY)
_JUMPS = (Kind.JUMP, Kind.INDIRECT)
_MEMORY = (Kind.LOAD, Kind.STORE)
_LINKED_LOAD = {"sc": "ll", "scd": "lld"}

#: Every row on general registers, HI, LO and memory, except SYSCALL and BREAK, which have no operands and always trap.
INTEGER = tuple(
    row
    for row in ROWS
    if row.kind not in (Kind.FLOAT, Kind.SYSTEM)
    and row.name not in ("syscall", "break")
    and not _OTHER_FILES & {*row.reads, *row.results}
)


class Operands(NamedTuple):
    """What a case starts from, unsigned."""

    s: int
    t: int
    x: int
    y: int


class Results(NamedTuple):
    """What a case leaves, unsigned; ``trap`` is an index into TRAPS."""

    value: int
    hi: int
    lo: int
    trap: int


@dataclass(frozen=True)
class Cell:
    """A word and the cases that it runs on; ``observed`` is the register that is recorded as the destination."""

    insn: Insn
    observed: int
    cases: tuple[Operands, ...]

    def seen(self, case: Operands) -> tuple[int, int]:
        """The signed values that the instruction finds in s and t."""
        s = sext64(case.s) if self.insn.s else 0
        t = s if self.insn.t == self.insn.s else sext64(case.t) if self.insn.t else 0
        return s, t

    def before(self, case: Operands) -> int:
        """What the destination holds before, unsigned; for rows of three registers."""
        return {0: 0, self.insn.t: case.t, self.insn.s: case.s}.get(self.observed, case.y)


class Placed(NamedTuple):
    """Where the code of a cell is."""

    cell: Cell
    start: int
    probe: int
    end: int


@dataclass(frozen=True)
class Program:
    """Cells one after another at an address; control runs from each into the next."""

    code: bytes
    cells: tuple[Placed, ...]

    @cached_property
    def operands(self) -> bytes:
        return b"".join(RECORD.pack(*case) for placed in self.cells for case in placed.cell.cases)


def results_of(data: bytes) -> list[Results]:
    """The results of cases, one after another."""
    return [Results(*record) for record in RECORD.iter_unpack(data)]


def program(rows: Sequence[Row], address: int, seed: int = 0) -> Program:
    """The probes of rows, placed at an address; ends with a jump to RETURN."""
    words: list[int] = []
    cells: list[Placed] = []
    for row in rows:
        base = address + 4 * len(words)
        words += [encode("lui", t=CODE, i=base >> 16 & 0xFFFF), encode("ori", t=CODE, s=CODE, i=base & 0xFFFF)]
        for cell in cells_of(row, seed):
            start = address + 4 * len(words)
            before, probe, after = _before(cell), _probe(cell), _after(cell)
            at = start + 4 * (1 + len(before))
            target = at + 12
            if row.kind is Kind.JUMP:
                probe[0] = encode(row.name, j=target >> 2 & 0x03FF_FFFF)
            elif row.kind is Kind.INDIRECT:
                cell = Cell(cell.insn, cell.observed, tuple(case._replace(s=target - base) for case in cell.cases))
            loop = [*before, *probe, *after]
            words.append(encode("daddiu", t=END, s=OPERANDS, i=RECORD.size * len(cell.cases)))
            words += [*loop, encode("bne", s=OPERANDS, t=END, i=-len(loop) - 1), encode("sll")]
            cells.append(Placed(cell, start, at, address + 4 * len(words)))
    words += [encode("jr", s=RETURN), encode("sll")]
    return Program(struct.pack(f">{len(words)}I", *words), tuple(cells))


def _copy(to: int, source: int) -> int:
    return encode("or", d=to, s=source)


def _link(row: Row, insn: Insn) -> int:
    """The register that a link goes to, 0 for none."""
    return insn.loc(row.results[0])[1] if row.links else 0


def _before(cell: Cell) -> list[int]:
    insn, row = cell.insn, cell.insn.row
    memory = row.kind in _MEMORY
    words = [
        encode("ld", t=getattr(insn, letter), s=OPERANDS, i=i)
        for letter, i in (("t", 8), ("s", 0))
        if letter in row.fields
    ]
    for offset, name in ((0, "mthi"), (8, "mtlo")):
        words.append(encode("ld", t=SCRATCH, s=OPERANDS, i=16 + offset))
        words.append(encode("sd", t=SCRATCH, s=DATA, i=offset) if memory else encode(name, s=SCRATCH))
    if row.kind.has_slot:
        words += [_copy(cell.observed, 0), _copy(_link(row, insn), 0)]
    elif not memory and cell.observed not in {getattr(insn, letter) for letter in "st" if letter in row.fields}:
        words.append(_copy(cell.observed, SCRATCH))
    if memory or row.kind is Kind.INDIRECT:
        words.append(encode("daddu", d=insn.s, s=insn.s, t=DATA if memory else CODE))
    return [*words, _copy(MARK, 0)]


def _probe(cell: Cell) -> list[int]:
    insn, row = cell.insn, cell.insn.row
    if row.name in _LINKED_LOAD:
        return [encode(_LINKED_LOAD[row.name], t=SCRATCH, s=insn.s, i=insn.imm), insn.word]
    if row.kind.has_slot:
        return [insn.word, *(encode("addiu", t=cell.observed, s=cell.observed, i=number) for number in (1, 2, 4))]
    return [insn.word]


def _after(cell: Cell) -> list[int]:
    insn, row = cell.insn, cell.insn.row
    words = []
    if link := _link(row, insn):
        words += [encode("dsubu", d=SCRATCH, s=link, t=CODE), encode("mthi", s=SCRATCH)]
    words.append(encode("sd", t=cell.observed, s=RESULTS))
    for offset, name in ((0, "mfhi"), (8, "mflo")):
        memory = row.kind in _MEMORY
        words.append(encode("ld", t=SCRATCH, s=DATA, i=offset) if memory else encode(name, d=SCRATCH))
        words.append(encode("sd", t=SCRATCH, s=RESULTS, i=8 + offset))
    words.append(encode("sd", t=MARK, s=RESULTS, i=24))
    return [*words, *(encode("daddiu", t=register, s=register, i=RECORD.size) for register in (OPERANDS, RESULTS))]


@cache
def cells_of(row: Row, seed: int = 0) -> tuple[Cell, ...]:
    """The cells of a row: usual registers, then each unusual choice of registers, then open or misaligned operands."""
    rng = Random(f"{row.name} {seed}")
    aliases, unusual = _choices(row)
    cells, cases = _size(row)
    has_open = bool(row.word) or (row.access > 1 and not row.reach and row.name not in _LINKED_LOAD)
    operands = _operands(rng, row)
    return (
        *(_cell(rng, row, number, aliases[number % len(aliases)], operands, cases) for number in range(cells)),
        *(_cell(rng, row, number, choice, operands, UNUSUAL_CASES) for number, choice in enumerate(unusual)),
        *(_cell(rng, row, number, {}, None, UNUSUAL_CASES) for number in range(OPEN_CELLS if has_open else 0)),
    )


def _size(row: Row) -> tuple[int, int]:
    """How many usual cells, of how many cases each: few where a word has no more to vary than registers."""
    if row.kind in _JUMPS or row.name == "lui":
        return 100, 1
    return (34, 64) if _has_constant(row) else (12, 184)


def _has_constant(row: Row) -> bool:
    return "a" in row.fields or ("i" in row.fields and row.kind not in _BRANCHES)


#: A choice of registers: letter -> the letter whose register it shares, or "" for register 0.
_Choice = dict[str, str]


def _choices(row: Row) -> tuple[list[_Choice], list[_Choice]]:
    """Which operands may share a register; such choices, and such where a result or an operand is lost."""
    addressed = row.kind in (*_MEMORY, Kind.INDIRECT)
    sources = [letter for letter in row.reads if letter in "st"]
    written = [letter for letter in row.results if letter in "td"]
    aliases: list[_Choice] = [{}]
    unusual: list[_Choice] = [
        {letter: ""} for letter in "std" if letter in row.fields and not (addressed and letter == "s")
    ]
    if row.kind is Kind.ALU or (row.kind is Kind.LOAD and sources == ["s"]):
        aliases += [{to: source} for to in written for source in sources if to != source]
    if len(sources) == 2 and not addressed:
        unusual.append({"t": "s"})
        unusual += [{"t": "s", to: "s"} for to in written]
    return aliases, unusual


#: What a cell draws its s and t from, by its immediate; None for cells whose operands are open or misaligned.
_Source = Callable[[int], Iterator[tuple[int, int]]] | None


def _operands(rng: Random, row: Row) -> _Source:
    """Pairs, or single values, that go on from cell to cell, or begin anew where there is a constant in the word."""
    wide = not row.word
    if {"s", "t"} <= {*row.reads}:
        going_on = pairs(rng, wide)
        return lambda _: going_on
    if _has_constant(row):
        return lambda immediate: ((single, single) for single in singles(rng, wide, immediate))
    doubled = ((single, single) for single in singles(rng, wide))
    return lambda _: doubled


def _cell(rng: Random, row: Row, number: int, choice: _Choice, source: _Source, cases: int) -> Cell:
    pool = [register for register in POOL if register != 31 or not row.links]
    *chosen, counter = rng.sample(pool, 4)
    registers = dict(zip("std", chosen, strict=True))
    registers |= {letter: registers[other] if other else 0 for letter, other in choice.items()}
    fields = {letter: register for letter, register in registers.items() if letter in row.fields}
    immediate = IMMEDIATES[number] if number < len(IMMEDIATES) else sext(rng.getrandbits(16), 16)
    if "i" in row.fields:
        fields["i"] = 2 if row.kind in _BRANCHES else immediate
    if "a" in row.fields:
        fields["a"] = number % 32
    insn = decode(encode(row.name, **fields))
    assert insn is not None
    usual = fields.get("d", fields.get("t", fields.get("s", 0)))
    observed = counter if row.kind.has_slot else usual
    if row.kind in _MEMORY:
        drawn = _places(rng, row, immediate, aligned=source is not None)
    elif source is None:
        drawn = ((value(rng, wide=True), value(rng, wide=True)) for _ in count())
    else:
        drawn = source(immediate)
    some = list(islice(drawn, cases))
    return Cell(
        insn, observed, tuple(Operands(zext64(s), zext64(t), _rest(rng, row), _rest(rng, row)) for s, t in some)
    )


def _rest(rng: Random, row: Row) -> int:
    """HI, LO or eight bytes of memory before: random bits, or a value where the row moves it."""
    return zext64(value(rng, wide=True)) if "hi" in row.reads or "lo" in row.reads else rng.getrandbits(64)


def _places(rng: Random, row: Row, immediate: int, aligned: bool) -> Iterator[tuple[int, int]]:
    """Addresses in the 16 bytes, told by their distance before the immediate is added, and values of t."""
    places = range(0, 16 if row.reach else 17 - row.access, row.access if aligned and not row.reach else 1)
    return ((rng.choice(places) - immediate, value(rng, wide=True)) for _ in count())
