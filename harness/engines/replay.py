"""The traced replay: blocks of the machine, one instruction at a time, saying what each read and wrote.

Several times slower than a run; it is there to explain one.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, field
from itertools import groupby
from typing import NamedTuple

from harness.engines import operands
from harness.engines.registers import get, place
from interp.blocks import Block, Key
from interp.events import GuestTrap
from interp.forms import FCSR, OUTCOME, SINK, Op
from interp.machine import Machine
from interp.memory import Memory
from interp.optable import Insn, Kind, Loc
from interp.words import M64, sext64

_Places = tuple[tuple[Loc, int], ...]


@dataclass(slots=True)
class Step:
    """One executed instruction; addresses and values are unsigned.

    ``reads`` and ``writes`` hold registers as ``operands`` lists them, and memory byte by byte. ``access`` is (address,
    bytes, whether it stores) of a load or store. ``taken`` is the outcome of a branch. An instruction that raises
    ``trap`` is the last one and has written nothing; ``insn`` is None where none could run.
    """

    address: int
    insn: Insn | None
    reads: dict[Loc, int] = field(default_factory=dict)
    writes: dict[Loc, int] = field(default_factory=dict)
    access: tuple[int, int, bool] | None = None
    taken: bool | None = None
    trap: str = ""
    fault_address: int | None = None


class _Traced(NamedTuple):
    """An instruction of a block: its ops, registers read and written with their slots, and what else it does."""

    address: int
    insn: Insn | None
    ops: tuple[Op, ...]
    sources: _Places
    targets: _Places
    accesses: bool
    decides: bool


_Blocks = dict[Key, tuple[Block, tuple[_Traced, ...]]]


class Replays:
    """Replays of one machine; what its blocks come to is kept for as long as the code stays."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self._code = machine.memory.code
        self._kept: dict[tuple[int, Hashable], _Blocks] = {}  # by end and barriers

    def steps(self, pc: int, until: int, fuel: int, barriers: Hashable = ()) -> Iterator[Step]:
        """Runs as ``Machine.run`` does, yielding each instruction after it was executed, at most ``fuel`` of them.

        ``barriers`` is what the fetches of the memory depend on besides its code.
        """
        machine, key, last = self._machine, sext64(pc), sext64(until)
        if machine.memory.code != self._code:
            self._code, self._kept = machine.memory.code, {}
        blocks = self._kept.setdefault((last, barriers), {})
        while key != last:
            if key not in blocks:
                made = machine.assembler.block(key, 1, last)
                blocks[key] = made, tuple(_instructions(made, machine))
            block, instructions = blocks[key]
            for traced in instructions[:fuel]:
                step = _executed(machine, traced)
                yield step
                if step.trap:
                    return
            fuel -= len(instructions)
            if fuel < 0:
                return
            key = block.next(machine.slots[OUTCOME])


def _instructions(block: Block, machine: Machine) -> Iterator[_Traced]:
    """The instructions of a block; each has one op at least."""
    ops = iter(block.ops)
    for address, same in groupby(block.addresses):
        insn = _insn(machine, address)
        sources, targets = (kind(insn, machine.fr) if insn else () for kind in (operands.sources, operands.targets))
        yield _Traced(
            address,
            insn,
            tuple(next(ops) for _ in same),
            tuple((loc, place(machine, loc)) for loc in sources),
            tuple((loc, place(machine, loc)) for loc in targets if loc != ("gpr", 0)),
            insn is not None and insn.row.access > 0,
            insn is not None and insn.row.kind.has_slot,
        )


def _insn(machine: Machine, address: int) -> Insn | None:
    """The instruction at an address, if there is one."""
    try:
        return machine.assembler.prepared(sext64(address)).insn
    except GuestTrap:
        return None


def _executed(machine: Machine, traced: _Traced) -> Step:
    """Runs one instruction and says what it read and wrote."""
    address, insn, ops, sources, targets, accesses, decides = traced
    r = machine.slots
    step = Step(address, insn, {loc: get(machine, loc) if r[at] is None else r[at] & M64 for loc, at in sources}, {})
    if accesses and insn:
        step.access = *operands.span(insn, r[insn.s]), insn.row.kind is Kind.STORE
    try:
        for op, d, a, b in ops:
            r[d] = op(r[a], r[b])
    except GuestTrap as trap:
        step.trap = trap.kind
        step.fault_address = trap.fault_address
        if trap.fcsr is not None:
            r[FCSR] = step.writes["fcsr", 0] = trap.fcsr
        return step
    for loc, at in targets:
        step.writes[loc] = get(machine, loc) if r[at] is None else r[at] & M64
    if step.access and insn:
        start, size, stores = step.access
        failed = stores and insn.row.results and r[insn.t or SINK] == 0  # SC without a link
        moved = b"" if failed else _bytes(machine.memory, start, size)
        told = step.writes if stores else step.reads
        for n, byte in enumerate(moved):
            told["mem", start + n] = byte
    elif decides and insn:
        step.taken = insn.row.kind is Kind.INDIRECT or bool(r[OUTCOME])
    return step


def _bytes(memory: Memory, start: int, size: int) -> bytes:
    """The bytes of an access, by one load where it was one."""
    if start % size == 0 and size in (1, 2, 4, 8):
        return memory.load(sext64(start), size).to_bytes(size, "big")
    return bytes(memory.load(sext64(start + n), 1) for n in range(size))
