"""The machine: registers over a memory, and a run loop of four lines.

The code cache keeps blocks across runs as long as the bytes of the code stay. An op that traps has written nothing,
and how far the iterator over the ops came tells its address: exact traps cost a normal run nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from operator import length_hint
from typing import Any, Literal, NamedTuple

from interp.blocks import CU1, FR, STATUS, Assembler, Block, Key, slot
from interp.events import GuestTrap, heard_by
from interp.forms import CONSTANTS, DOUBLE, FCSR, HI, LO, OUTCOME, WORD, Op
from interp.memory import Memory
from interp.optable import Loc
from interp.words import M64, sext64, zext64

_VARIANTS = 4


class Registers(NamedTuple):
    """Unsigned: 64 bits each, FCSR 32; FPRs 64 bits with FR, 32 without."""

    gpr: tuple[int, ...]
    hi: int
    lo: int
    fpr: tuple[int, ...]
    fcsr: int


class Stop(NamedTuple):
    """How a run ended.

    ``at`` is the address of the instruction that trapped, or that would have been next; ``fault_address`` where a bad
    access went; both unsigned. ``steps`` instructions were completed. ``detail`` is for people only.
    """

    kind: Literal["returned", "trap", "fuel"]
    trap: str
    at: int
    fault_address: int | None
    steps: int
    detail: str = ""


#: Addresses of instructions, and (address, taken) of conditional branches, unsigned.
Reached = tuple[frozenset[int], frozenset[tuple[int, bool]]]


class Machine:
    """One R4300 over a memory, for any number of runs.

    ``fr`` is the FR bit of Status. With ``ieee`` set, FP operations that the chip leaves to software have their IEEE
    result and are noted as open. ``slots`` hold all values as ``blocks`` lays them out.
    """

    def __init__(self, memory: Memory, fr: bool, ieee: bool = False) -> None:
        self.memory = memory
        self.fr = fr
        self.slots: list[Any] = [0] * CONSTANTS
        self.assembler = Assembler(memory, self.slots, fr, ieee)
        self._start = Block(0, 0)
        self._blocks: dict[Key, dict[int, Block]] = {}  # by what is sound at the start
        self._code: tuple[tuple[int, bytes], ...] = ()
        self._until = 0
        self._ends: set[int] = set()  # every ``until`` of a run
        self._trail: list[Block] = []
        self._position: Iterator[Op] = iter(())
        self._ended: tuple[Key | None, int] = (None, 0)  # what would run next, None after a trap; where
        self._events: dict[tuple[str, int], None] = {}
        self.set_state((0,) * 32, 0, 0, (0,) * 32, 0)

    def set_state(self, gpr: Sequence[int], hi: int, lo: int, fpr: Sequence[int], fcsr: int) -> None:
        """Sets all registers; CP0, the link of LL and what was undefined start afresh."""
        none = (None,) * 32
        views = (*none, *none, *fpr) if self.fr else (*fpr, *none, *none)
        self.slots[:CONSTANTS] = [*map(sext64, gpr), 0, sext64(hi), sext64(lo), fcsr, *views, *(0,) * 33]
        self.slots[0] = 0
        self.slots[STATUS] = CU1 | (FR if self.fr else 0)
        self.memory.drop_link()

    def get_state(self) -> Registers:
        """The registers as they are."""
        r, first, saved = self.slots, self.place(("fpr", 0)), self.assembler.floats.saved
        fpr = [saved(at) if value is None else value for at, value in enumerate(r[first : first + 32], first)]
        return Registers(tuple(map(zext64, r[:32])), zext64(r[HI]), zext64(r[LO]), tuple(fpr), r[FCSR])

    def place(self, loc: Loc) -> int:
        """The slot of a register."""
        return slot(loc) + (DOUBLE - WORD if self.fr and loc[0] == "fpr" else 0)

    def get(self, loc: Loc) -> int:
        """The unsigned value of a register."""
        place = self.place(loc)
        value = self.slots[place]
        return int(self.assembler.floats.saved(place) if value is None else value & M64)

    def set(self, loc: Loc, value: int) -> None:
        """Gives a register an unsigned value."""
        place, floats = self.place(loc), self.assembler.floats
        if loc[0] == "fpr" and self.slots[floats.other(place)] is not None:
            floats.claim(place)
        self.slots[place] = value if loc[0] in ("fpr", "fcsr") else sext64(value)

    @property
    def events(self) -> list[tuple[str, int]]:
        """What the last run met that is open: (id, unsigned address), each once, in order of first occurrence."""
        return list(self._events)

    @property
    def stale_halves(self) -> frozenset[int]:
        """With FR, the FPRs whose upper half is undefined, for their last write had 32 bits."""
        return frozenset(n for n in range(32) if self.fr and self.slots[DOUBLE + n] is None)

    @property
    def blocks(self) -> Iterator[Block]:
        """The blocks that were made so far; what is changed in one counts the next time that it runs."""
        return (block for same in self._blocks.values() for block in same.values())

    def run(self, pc: int, until: int, fuel: int) -> Stop:
        """Runs from ``pc`` until ``until`` is next, a trap, or the next block would exceed ``fuel`` instructions.

        ``until`` is not seen in the delay slot of a branch.
        """
        r, trail, block, left = self.slots, self._trail, self._prepare(sext64(until)), fuel
        r[OUTCOME] = sext64(pc)
        with heard_by(self._note):
            try:
                while True:
                    block = block.following.get(r[OUTCOME]) or self._follow(block, r[OUTCOME])
                    if left < block.length:
                        return self._stop("returned" if block.key == self._until else "fuel", block.key, fuel - left)
                    left -= block.length
                    trail.append(block)
                    self._position = position = iter(block.ops)
                    for op, d, a, b in position:
                        r[d] = op(r[a], r[b])
            except GuestTrap as trap:
                at = self._address()
                if trap.fcsr is not None:
                    r[FCSR] = trap.fcsr
                return self._stop("trap", at, fuel - left - block.length + (at - block.start) // 4, trap)

    def coverage(self) -> Reached:
        """What the last run reached, the instruction that trapped included.

        A branch to the instruction after its slot counts for both directions.
        """
        ended, at = self._ended
        following = [*(block.key for block in self._trail[1:]), ended]
        instructions: set[int] = set()
        edges: set[tuple[int, bool]] = set()
        for block, key in set(zip(self._trail, following, strict=False)):
            first, ran = zext64(block.start), block.length if key is not None else (at - block.start) // 4 + 1
            instructions.update(range(first, first + 4 * ran, 4))
            if block.branch is not None and block.exits:
                edges.update((zext64(block.branch), taken) for taken in (False, True) if block.exits[taken] == key)
        return frozenset(instructions), frozenset(edges)

    def jumps(self) -> frozenset[tuple[int, int]]:
        """The jumps through registers of the last run: (where the block of the jump begins, target), unsigned."""
        following = [*(block.key for block in self._trail[1:]), self._ended[0]]
        pairs = zip(self._trail, following, strict=False)
        return frozenset(
            (zext64(block.start), zext64(key)) for block, key in pairs if block.exits is None and isinstance(key, int)
        )

    def _prepare(self, until: int) -> Block:
        """Starts the records of a run afresh; drops the blocks if the code is another or ``until`` is a new end."""
        if self.memory.code != self._code or until not in self._ends:
            self._code = self.memory.code
            self._start = Block(0, 0, 1 | 1 << STATUS)
            self._blocks.clear()
        self._until = until
        self._ends.add(until)
        self._trail.clear()
        self._events.clear()
        return self._start

    def _follow(self, block: Block, outcome: Any) -> Block:
        """What runs behind ``block``, compiled for few sets of what is sound; the end is longer than any fuel."""
        key = block.next(outcome)
        if key == self._until:
            return Block(key, key, length=sys.maxsize)
        same = self._blocks.setdefault(key, {})
        sound = block.sound if block.sound in same or len(same) < _VARIANTS else 1
        if sound not in same:
            same[sound] = self.assembler.block(key, sound, self._ends)
        if key not in self._ends:
            block.following[outcome] = same[sound]
        return same[sound]

    def _address(self) -> int:
        """The signed address of the op that runs."""
        block = self._trail[-1]
        return block.addresses[len(block.ops) - 1 - length_hint(self._position)]

    def _note(self, kind: str) -> None:
        self._events[kind, zext64(self._address())] = None

    def _stop(
        self, kind: Literal["returned", "trap", "fuel"], key: Key, steps: int, trap: GuestTrap | None = None
    ) -> Stop:
        at = key[0] if isinstance(key, tuple) else key
        self._ended = (None if trap else key, at)
        if self.memory.overwritten:
            ran = sorted(filter(self.memory.is_changed, self.coverage()[0]))
            self._events |= {("modified-code", address): None for address in ran}
        if trap is None:
            return Stop(kind, "", zext64(at), None, steps)
        return Stop(kind, trap.kind, zext64(at), trap.fault_address, steps, trap.detail)
