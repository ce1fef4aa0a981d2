"""The machine: registers over a memory, and a run loop of four lines.

The code cache keeps blocks across runs as long as the bytes of the code and the end of the runs stay. An op that traps
has written nothing, and how far the iterator over the ops came tells its address: exact traps cost a run nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from operator import length_hint
from typing import Any, Literal, NamedTuple

from interp.blocks import CU1, FR, STATUS, Assembler, Block, Key
from interp.events import GuestTrap, heard_by
from interp.forms import CONSTANTS, DOUBLE, FCSR, HI, LO, OUTCOME, WORD, Op
from interp.memory import Memory
from interp.words import sext64, zext64

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


class Machine:
    """One R4300 over a memory, for any number of runs.

    ``fr`` is the FR bit of Status. With ``ieee`` set, FP operations that the chip leaves to software have their IEEE
    result and are noted as open. ``slots`` hold all values as ``forms`` lays them out.

    Of the last run: ``events`` are what it met that is open, (id, unsigned address), each once, in order of first
    occurrence. ``trail`` are the blocks that it went through, the one that trapped up to there, and ``next`` is what
    would run behind them, None after a trap.
    """

    def __init__(self, memory: Memory, fr: bool, ieee: bool = False) -> None:
        self.memory = memory
        self.fr = fr
        self.slots: list[Any] = [0] * CONSTANTS
        self.assembler = Assembler(memory, self.slots, fr, ieee)
        self.blocks: dict[Key, dict[int, Block]] = {}  #: what was made so far, by what is sound at the start
        self._code: tuple[tuple[int, bytes], ...] | None = None
        self._until = 0
        self._position: Iterator[Op] = iter(())
        self._begin(0)
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
        r, first, saved = self.slots, DOUBLE if self.fr else WORD, self.assembler.floats.saved
        fpr = [saved(at) if value is None else value for at, value in enumerate(r[first : first + 32], first)]
        return Registers(tuple(map(zext64, r[:32])), zext64(r[HI]), zext64(r[LO]), tuple(fpr), r[FCSR])

    @property
    def stale_halves(self) -> frozenset[int]:
        """With FR, the FPRs whose upper half is undefined, for their last write had 32 bits."""
        return frozenset(n for n in range(32) if self.fr and self.slots[DOUBLE + n] is None)

    def _begin(self, until: int) -> None:
        """Starts the records of a run afresh; drops the blocks if the code or the end is another than before."""
        if self.memory.code != self._code or until != self._until:
            self._code, self._until = self.memory.code, until
            self._start = Block(0, 1 | 1 << STATUS)  # what comes before all others
            self.blocks.clear()
        self.events: dict[tuple[str, int], None] = {}
        self.trail: list[Block] = []
        self.next: Key | None = None

    def run(self, pc: int, until: int, fuel: int) -> Stop:
        """Runs from ``pc`` until ``until`` is next, a trap, or the next block would exceed ``fuel`` instructions.

        ``until`` is not seen in the delay slot of a branch.
        """
        self._begin(sext64(until))
        r, trail, block, left = self.slots, self.trail, self._start, fuel
        r[OUTCOME] = sext64(pc)
        with heard_by(self._note):
            try:
                while True:
                    block = block.following.get(r[OUTCOME]) or self._follow(block, r[OUTCOME])
                    if left < block.length:
                        break
                    left -= block.length
                    trail.append(block)
                    self._position = position = iter(block.ops)
                    for op, d, a, b in position:
                        r[d] = op(r[a], r[b])
            except GuestTrap as trap:
                ran = self._ran()
                if trap.fcsr is not None:
                    r[FCSR] = trap.fcsr
                trail[-1] = Block(block.key, addresses=ran)
                steps = fuel - left - block.length + len(set(ran)) - 1
                stop = Stop("trap", trap.kind, ran[-1], trap.fault_address, steps, trap.detail)
            else:
                self.next = block.key
                kind: Literal["returned", "fuel"] = "returned" if block.key == self._until else "fuel"
                stop = Stop(kind, "", block.addresses[0], None, fuel - left)
        if self.memory.overwritten:
            instructions = sorted({address for block in trail for address in block.addresses})
            self.events |= {("modified-code", at): None for at in instructions if self.memory.is_changed(at)}
        return stop

    def _follow(self, block: Block, outcome: Any) -> Block:
        """What runs behind ``block``, compiled for few sets of what is sound."""
        key = block.next(outcome)
        same = self.blocks.setdefault(key, {})
        sound = block.sound if block.sound in same or len(same) < _VARIANTS else 1
        if sound not in same:
            same[sound] = self.assembler.block(key, sound, self._until)
        block.following[outcome] = same[sound]
        return same[sound]

    def _ran(self) -> list[int]:
        """The addresses of the ops of the last block that ran, the one that runs included."""
        block = self.trail[-1]
        return block.addresses[: len(block.ops) - length_hint(self._position)]

    def _note(self, kind: str) -> None:
        self.events[kind, self._ran()[-1]] = None
