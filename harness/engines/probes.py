"""Steps that use what an external is given as the external itself would.

The search for a function's inputs follows instructions. What happens outside has none, so these stand for it: they
touch the memory that the external looks at or fills, and end the life of registers that a call leaves to chance. From a
fault of theirs the search learns, as from any other, which input must be a pointer and how far it must reach.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.abi import SP
from harness.engines.outside import Boundary, Slot, Span
from harness.engines.replay import Step
from harness.engines.world import View, World
from harness.program.assembly import encode
from interp.events import GuestTrap
from interp.memory import Memory
from interp.optable import Insn, decode
from interp.words import sext64, zext64

#: Units: bytes of a text that are touched one by one.
_MOST_TEXT = 64

#: Two registers that every call leaves to chance, for addresses.
_AT, _V0 = 1, 2


def ending(world: World, view: View) -> Iterator[Step]:
    """Steps after a call: what result and argument registers hold now comes from nowhere."""
    for n in (_AT, *world.outside.abi.result_gprs, *world.outside.abi.int_args):
        insn = _insn("or", d=n, s=0, t=0)
        yield Step(0, insn, {("gpr", 0): 0}, {("gpr", n): view.get(("gpr", n)) or 0})


class Uses:
    """What one external does with its arguments, as steps of the guest at the address of its boundary."""

    def __init__(self, boundary: Boundary, world: World, view: View, memory: Memory) -> None:
        self._boundary = boundary
        self._world = world
        self._memory = memory
        self._held = {n: view.get(("gpr", n)) or 0 for n in range(32)}

    def steps(self, view: View) -> Iterator[Step]:
        """Yields the steps; one that traps is the last."""
        for slot in self._boundary.arguments:
            if slot.room == "stack":
                yield self._load("lw", _AT, SP, slot.number, 4)
            elif slot.room == "gpr":
                yield self._compute("or", _AT, slot.number, 0, self._held[slot.number])
        for span in (*self._boundary.reads, *self._boundary.writes):
            size = self._world.size_of(span, view)
            for step in self._touches(span, size):
                yield step
                if step.trap:
                    return

    def _touches(self, span: Span, size: int | None) -> Iterator[Step]:
        base = span.pointer.number
        if span.pointer.room == "stack":
            base = _V0
            yield self._load("lw", base, SP, span.pointer.number, 4)
        if span.text:
            for offset in range(_MOST_TEXT):
                step = self._load("lbu", _AT, base, offset, 1)
                yield step
                if not self._held[_AT]:
                    return
        elif span.count is not None and size:
            yield from self._touch_counted(span, span.count, base, size)
        elif span.count is None and size:
            yield self._load("lbu", _AT, base, min(size, 0x8000) - 1, 1)
        if size or size is None:
            yield self._load("lbu", _AT, base, 0, 1)

    def _touch_counted(self, span: Span, count: Slot, base: int, size: int) -> Iterator[Step]:
        """The last byte lies at the sum of the pointer and a multiple of the count."""
        number = count.number
        if count.room == "stack":
            number = _AT
            yield self._load("lw", number, SP, count.number, 4)
        if span.size > 1:
            shift = (span.size - 1).bit_length()
            insn = _insn("sll", d=_AT, t=number, a=shift)
            yield self._note(insn, {("gpr", number): self._held[number]}, _AT, size)
            number = _AT
        yield self._compute("addu", _AT, base, number, self._held[base] + size)
        yield self._load("lbu", _AT, _AT, -1, 1)

    def _compute(self, name: str, d: int, s: int, t: int, value: int) -> Step:
        reads = {("gpr", s): self._held[s], ("gpr", t): self._held[t]}
        return self._note(_insn(name, d=d, s=s, t=t), reads, d, value)

    def _note(self, insn: Insn, reads: dict[tuple[str, int], int], d: int, value: int) -> Step:
        self._held[d] = zext64(sext64(value))
        return Step(self._boundary.address, insn, reads, {("gpr", d): self._held[d]})

    def _load(self, name: str, d: int, base: int, offset: int, size: int) -> Step:
        start = zext64(self._held[base] + offset)
        insn = _insn(name, t=d, s=base, imm=offset)
        step = Step(self._boundary.address, insn, {("gpr", base): self._held[base]}, {}, (start, size, False))
        try:
            data = [self._memory.load(sext64(start) + n, 1) for n in range(size)]
        except GuestTrap as trap:
            step.trap, step.fault_address = trap.kind, start
            return step
        step.reads |= {("mem", start + n): byte for n, byte in enumerate(data)}
        self._held[d] = zext64(int.from_bytes(bytes(data), "big", signed=name == "lw"))
        step.writes = {("gpr", d): self._held[d]}
        return step


def _insn(name: str, **fields: int) -> Insn:
    insn = decode(encode(name, **fields))
    assert insn is not None  # a row of the table
    return insn
