"""The traced replay: the same ops, one instruction at a time, saying what each read and wrote.

Some fifteen times slower than a run; it is there to explain one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

from interp.blocks import slot
from interp.events import GuestTrap
from interp.forms import FCSR, OUTCOME, SINK, Op
from interp.machine import Machine
from interp.optable import Insn, Kind, Loc
from interp.words import M64, sext64, zext64

_Places = tuple[tuple[Loc, int], ...]


@dataclass(slots=True)
class Step:
    """One executed instruction; addresses and values are unsigned.

    ``reads`` and ``writes`` hold registers as ``Insn.sources`` and ``targets`` list them, and memory byte by byte.
    ``access`` is (address, bytes, whether it stores) of a load or store. ``taken`` is the outcome of a branch. An
    instruction that raises ``trap`` is the last one and has written nothing; ``insn`` is None where none could run.
    """

    address: int
    insn: Insn | None
    reads: dict[Loc, int] = field(default_factory=dict)
    writes: dict[Loc, int] = field(default_factory=dict)
    access: tuple[int, int, bool] | None = None
    taken: bool | None = None
    trap: str = ""
    fault_address: int | None = None


def steps(machine: Machine, pc: int, until: int, fuel: int) -> Iterator[Step]:
    """Runs as ``Machine.run`` does, yielding each instruction after it was executed, at most ``fuel`` of them."""
    address, last, target = sext64(pc), sext64(until), None
    known: dict[int, _Traced] = {}
    for _ in range(fuel):
        if address == last and target is None:
            return
        step = Step(zext64(address), None)
        try:
            traced = known.get(address) or known.setdefault(address, _traced(machine, address))
            step.insn = traced.insn
            _execute(machine, step, traced, in_slot=target is not None)
        except GuestTrap as trap:
            step.trap = trap.kind
            step.fault_address = None if trap.fault_address is None else zext64(trap.fault_address)
            if trap.fcsr is not None:
                machine.slots[FCSR] = step.writes[("fcsr", 0)] = trap.fcsr
            yield step
            return
        yield step
        kind = traced.insn.row.kind
        if target is not None:
            address, target = target, None
        elif kind is Kind.LIKELY and not step.taken:
            address += 8
        else:
            if kind is Kind.INDIRECT:
                target = machine.slots[OUTCOME]
            elif kind.has_slot:
                target = sext64(traced.insn.target(address)) if step.taken else address + 8
            address += 4


class _Traced(NamedTuple):
    """An instruction, its ops, and the registers that it reads and writes with their slots."""

    insn: Insn
    ops: tuple[Op, ...]
    sources: _Places
    targets: _Places


def _traced(machine: Machine, address: int) -> _Traced:
    prepared = machine.assembler.prepared(address)
    return _Traced(prepared.insn, machine.assembler.ops(prepared, address), *_places(prepared.insn, machine.fr))


@lru_cache(1 << 16)
def _places(insn: Insn, fr: bool) -> tuple[_Places, _Places]:
    sources = tuple((loc, slot(loc)) for loc in insn.sources(fr))
    return sources, tuple((loc, slot(loc)) for loc in insn.targets(fr) if loc != ("gpr", 0))


def _execute(machine: Machine, step: Step, traced: _Traced, in_slot: bool) -> None:
    """Runs one instruction and fills in what it read and wrote."""
    r, memory, insn, row = machine.slots, machine.memory, traced.insn, traced.insn.row
    if in_slot and row.kind.has_slot:
        raise GuestTrap("refused")
    step.reads = {loc: r[place] & M64 for loc, place in traced.sources}
    if row.access:
        start, size = insn.span(step.reads[("gpr", insn.s)])
        step.access = start, size, row.kind is Kind.STORE
    for op, d, a, b in traced.ops:
        r[d] = op(r[a], r[b])
    if row.kind.has_slot:
        step.taken = row.kind is Kind.INDIRECT or bool(r[OUTCOME])
    step.writes = {loc: r[place] & M64 for loc, place in traced.targets}
    failed = row.kind is Kind.STORE and row.results and r[slot(insn.loc("t")) or SINK] == 0  # SC without a link
    if row.access and not failed:
        signed = sext64(start)
        moved = {("mem", start + n): memory.load(signed + n, 1) for n in range(size)}
        if row.kind is Kind.STORE:
            step.writes |= moved
        else:
            step.reads |= moved
