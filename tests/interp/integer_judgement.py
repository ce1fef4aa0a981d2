"""The reference's results of the integer probes, and how another judge's are held against them.

Where a judge is known to differ, ``DIFFERENCES`` says what it leaves instead; that is demanded as exactly as equality
is elsewhere, so a difference that is gone, or has become another, fails as well.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache

from integer_probes import (
    CODE,
    DATA,
    MARK,
    OPERANDS,
    RESULTS,
    TRAPS,
    Cell,
    Operands,
    Results,
    program,
    results_of,
)

from harness.program.disassembly import disassemble
from interp.machine import Machine
from interp.memory import PAGE, Memory
from interp.optable import ROWS, Row
from interp.words import sext32, sext64, zext64

AT, OPERANDS_AT, RESULTS_AT, DATA_AT = (0xFFFF_FFFF_8000_0000 + place for place in (0x1_0000, 0x10_0000, 0x20_0000, 0))
BY_NAME = {row.name: row for row in ROWS}


def pages(data: bytes) -> bytes:
    """Filled up to whole pages."""
    return data + bytes(-len(data) % PAGE)


@cache
def reference(row: Row, seed: int = 0) -> tuple[list[Cell], list[Results]]:
    """The cells of a row, and what the reference leaves of each case."""
    probes = program([row], AT, seed)
    memory = Memory()
    memory.map(AT, pages(probes.code), writable=False)
    memory.map(OPERANDS_AT, pages(probes.operands), writable=False, executable=False)
    memory.map(RESULTS_AT, bytes(len(pages(probes.operands))), writable=True)
    memory.map(DATA_AT, bytes(PAGE), writable=True)
    machine = Machine(memory, fr=True)
    gpr = [0] * 32
    gpr[OPERANDS], gpr[RESULTS], gpr[DATA], gpr[CODE] = OPERANDS_AT, RESULTS_AT, DATA_AT, AT
    machine.set_state(gpr, 0, 0, [0] * 32, 0)
    for placed in probes.cells:
        stop = machine.run(placed.start if placed is not probes.cells[0] else AT, placed.end, 10_000)
        while stop.kind == "trap":
            assert stop.at == placed.probe
            state = machine.get_state()
            marked = (*state.gpr[:MARK], TRAPS.index(stop.trap), *state.gpr[MARK + 1 :])
            machine.set_state(marked, state.hi, state.lo, state.fpr, state.fcsr)
            stop = machine.run(stop.at + 4, placed.end, 10_000)
        assert stop.kind == "returned"
    left = memory.read(RESULTS_AT, len(probes.operands))
    return [placed.cell for placed in probes.cells], results_of(left)


@dataclass(frozen=True)
class Difference:
    """What the judges, both built on QEMU, do otherwise.

    ``event`` is the open event by which the reference says that the manual leaves it open, ``faults`` the ids of the
    entries that the Unicorn leg has for it. ``theirs`` gives their results, or None where the difference does not
    apply; it is given the cell, the operands and our results.
    """

    id: str
    event: str
    faults: str
    rows: str
    theirs: Callable[[Cell, Operands, Results], Results | None]
    source: str


def _no_quotient(cell: Cell, case: Operands, ours: Results) -> Results | None:
    """The divisor is replaced by 1."""
    dividend, divisor = cell.seen(case)
    if cell.insn.row.name in ("div", "divu"):
        dividend, divisor = sext32(dividend), sext32(divisor)
    return None if divisor else ours._replace(hi=0, lo=zext64(dividend))


def _wide_shift(cell: Cell, case: Operands, ours: Results) -> Results | None:
    """All 64 bits are shifted and kept."""
    s, t = cell.seen(case)
    if t == sext32(t) or cell.observed == 0:
        return None
    amount = cell.insn.a if cell.insn.row.name == "sra" else s % 32
    return ours._replace(value=zext64(t >> amount))


def _wide_overflow(cell: Cell, case: Operands, ours: Results) -> Results | None:
    """Overflow is looked for in bit 63, with the operands as they are and the result as a sign-extended word."""
    s, t = cell.seen(case)
    second = cell.insn.imm if cell.insn.row.name == "addi" else t
    if s == sext32(s) and second == sext32(second):
        return None
    total = sext32(s - t if cell.insn.row.name == "sub" else s + second)
    signs = (s ^ t) & (s ^ total) if cell.insn.row.name == "sub" else (s ^ total) & (second ^ total)
    if signs < 0:
        return ours._replace(value=cell.before(case), trap=TRAPS.index("overflow"))
    return ours._replace(value=zext64(total) if cell.observed else 0, trap=0)


_MEASURED = "measured on Unicorn 2.1.4 and qemu-mips64 7.2"

DIFFERENCES = (
    Difference(
        "division-by-zero",
        "division-by-zero",
        "div-by-zero divu-by-zero ddiv-by-zero ddivu-by-zero",
        "div divu ddiv ddivu",
        _no_quotient,
        f"R4K A-55; V41 pp. 473-476; {_MEASURED}",
    ),
    Difference(
        "shift-wide",
        "non-canonical-operand",
        "sra-wide sra-unextended srav-wide",
        "sra srav",
        _wide_shift,
        f"R4K p. 39; V41 p. 554; M64 SRA; {_MEASURED}",
    ),
    Difference(
        "overflow-wide",
        "non-canonical-operand",
        "add-wide-trap addi-wide-trap sub-wide-no-trap",
        "add addi sub",
        _wide_overflow,
        f"R4K p. 39; {_MEASURED}",
    ),
)


@dataclass(frozen=True)
class Judgement:
    """How often a judge differed, by id, and on how many distinct operands it agreed with the reference.

    ``unexplained`` tells each case in which it left something else than it should.
    """

    differed: Counter[str]
    agreed: int
    unexplained: tuple[str, ...]


def explained(row: Row, seed: int = 0) -> Iterator[tuple[Cell, Operands, Results, Results, str]]:
    """Each case of a row: what the reference leaves, what a judge should, and the difference that tells why."""
    cells, ours = reference(row, seed)
    known = [difference for difference in DIFFERENCES if row.name in difference.rows.split()]
    cases = ((cell, case) for cell in cells for case in cell.cases)
    for (cell, case), our in zip(cases, ours, strict=True):
        for difference in known:
            other = difference.theirs(cell, case, our)
            if other is not None and other != our:
                yield cell, case, our, other, difference.id
                break
        else:
            yield cell, case, our, our, ""


def judge(row: Row, theirs: list[Results], same: Callable[[int], int] = int, seed: int = 0) -> Judgement:
    """Holds a judge's results against the reference's; ``same`` turns our mark of a trap into the judge's."""
    differed: Counter[str] = Counter()
    agreed: set[tuple[int, ...]] = set()
    unexplained: list[str] = []
    reads_more = row.access > 0 or bool({"hi", "lo"} & {*row.reads})
    for (cell, case, our, expected, difference), their in zip(explained(row, seed), theirs, strict=True):
        if their != expected._replace(trap=same(expected.trap)):
            unexplained.append(
                f"{disassemble(cell.insn.word)} {_signed(case)}: ours {_signed(our)}, judge {_signed(their)}"
            )
            continue
        if difference:
            differed[difference] += 1
            continue
        constant = cell.insn.imm if "i" in row.fields else cell.insn.a
        agreed.add((*cell.seen(case), constant, *((case.x, case.y) if reads_more else ())))
    return Judgement(differed, len(agreed), tuple(unexplained))


def _signed(values: Operands | Results) -> str:
    return " ".join(f"{name}={sext64(value):#x}" for name, value in values._asdict().items())
