"""Lockstep of the C and the reference from tie to tie: every step is judged by what the C itself held before it.

Each step stands for itself, so a wrong value is charged to the instruction that made it and not to those that it was
handed on to; two faults in one run are two slips.

- A tie in a delay slot is not compared: the slot may stand before its branch in the C, and a likely one on its line.
- Where the reference traps, or meets something open, the C's values are its own affair: no slip.
- What slips all over the code on states that pass is no fault of the translation: ``Blind`` is learnt from them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from enum import Enum, auto
from itertools import pairwise

from harness.abi import SP
from harness.compare import FCSR_CONTROL
from harness.engines.base import RETURN_ADDRESS, MachineState, Outcome, StopKind, Target
from harness.engines.replay import Step
from harness.engines.translated import Sighting, Translated
from harness.explain.follow import Follower
from harness.explain.neighbours import changed
from harness.explain.slips import STACK, Blind, Run, Slip, Wrong
from harness.explain.variables import Variables
from harness.explain.watched import Watched
from interp.optable import Kind, Loc, decode

#: Gives bytes of the guest's memory by address and size.
Reader = Callable[[int, int], bytes]

#: Bits of FCR31 that are compared: what a caller may rely on, and the condition bit.
_FCSR = FCSR_CONTROL | 1 << 23

#: Ties of one run that are looked at.
MOST_SIGHTINGS = 8000

#: Ties that are looked at after the first slip of a run.
_AFTER_SLIP = 200

_WIDE, _WORD = (1 << 64) - 1, (1 << 32) - 1
_LINE = 64  # bytes that are compared at once

#: Instructions that the reference goes without coming to a tie.
_FARTHEST = 20_000


class Lockstep:
    """One watched library of one function, for any number of states."""

    def __init__(
        self, target: Target, watched: Watched, leg: Translated, variables: Variables, blind: Blind, fuel: int
    ) -> None:
        self._target = target
        self._watched = watched
        self._leg = leg
        self.variables = variables
        self.blind = blind
        self._fuel = fuel
        self.tied = frozenset(tie.address for tie in watched.ties)

    def run(self, before: MachineState, learning: bool = False) -> Run:
        """Calls the C from ``before`` and follows it; ``before`` has the effects of isolated callees.

        A state that passes is good for ``learning`` which variables are registers. C that is compiled for it is put
        right after each wrong step, so that a fault does not hide what would come behind it.
        """
        one = _Following(self._target, self._watched, self, before, self._fuel, learning)
        self._leg.watcher = one.at_tie
        outcome = self._leg.run(before, self._fuel)
        self._leg.watcher = None
        one.finish(outcome)
        return one.run


class _Came(Enum):
    """How the reference's way compares with a tie that the C has come to."""

    THERE = auto()
    ELSEWHERE = auto()
    SLOT = auto()  # the tie belongs to a delay slot: its branch is next
    NOWHERE = auto()  # it cannot follow


class _Following:
    """One call of the C."""

    def __init__(
        self, target: Target, watched: Watched, lockstep: Lockstep, before: MachineState, fuel: int, learning: bool
    ) -> None:
        self.run = Run()
        self._learning = learning
        self._watched = watched
        self._variables = lockstep.variables
        self._blind = lockstep.blind
        self._tied = lockstep.tied - lockstep.blind.passed_over
        self._regions = [region for region in before.memory if region.writable]
        sp = before.gpr[SP] or 0
        bottom = next((one.address for one in self._regions if one.address <= sp <= one.end), sp)
        self._stack = range(bottom, sp)  # what is dead after the return
        self._follower = Follower(target, before, fuel)
        self._stands = -1  # the address of the last tie that was judged
        self._visits: set[int] = set()  # numbers of the ties seen there: one that comes again is another visit
        self._last = -1  # the address of the last tie that the C came to
        self._uncarried: dict[Loc, Slip] = {}  # places that are wrong, of which no step has shown yet who uses them
        self._strayed: Slip | None = None  # the last slip, if the C went another way there
        self._skipped = -1  # address of a branch whose slot came first in the C: its own tie says nothing
        self._aside: tuple[int, Wrong] | None = None  # a tie to which the reference did not come, and what was wrong
        self._steps: list[Step] = []
        self._held: MachineState | None = None  # what the C held at the last tie that was judged
        self._memory: dict[int, bytes] = {}  # and in its writable regions
        self._latest: tuple[MachineState, dict[int, bytes]] | None = None
        self._over = False
        self._sighting: Sighting | None = None

    def at_tie(self, sighting: Sighting) -> bool:
        """Judges the step that led here; says whether there is more to see."""
        tie, owner = self._watched.ties[sighting.number], self._watched.owners[sighting.number]
        self.run.sightings += 1
        self._last = tie.address
        if self.run.sightings > MOST_SIGHTINGS or self._has_seen_enough():
            self.run.cut = not self.run.slips
            return False
        if self._over or tie.address in self._blind.passed_over:
            return True
        if tie.address == self._skipped:
            self._skipped = -1
            return True
        self._sighting = sighting
        held = self._variables.registers(tie, owner, sighting)
        wrong = self._come_to(sighting.number, tie.address, held, sighting.read)
        if self._learning:
            self._variables.learn(sighting.registers, wrong)
        return True

    def _has_seen_enough(self) -> bool:
        """Whether another fault would have shown by now, after the first."""
        return bool(self.run.slips) and self.run.sightings > self.run.slips[0].number + _AFTER_SLIP

    def _come_to(self, number: int, address: int, held: MachineState, read: Reader) -> Wrong:
        """Judges the step that led to a tie; gives what was wrong there."""
        if self._aside is not None:
            if self._passed_slot(address):
                return {}
            self._settle(address, held, read)
        again = address == self._stands and number in self._visits
        came = self._advance(address, at_least=int(again))
        if came is _Came.SLOT:
            self._skipped = -1 if self._stands == address - 4 else address - 4
        if came in (_Came.SLOT, _Came.NOWHERE):
            return {}
        self.run.visits[address] += 1
        wrong = self._wrong(address, held, read)
        if came is _Came.ELSEWHERE:
            self._aside = address, wrong
            return {}
        self._judge(address, wrong, None)
        self._visits = {number} if again or address != self._stands else self._visits | {number}
        self._stands = address
        return wrong

    def _settle(self, address: int, held: MachineState, read: Reader) -> None:
        """Says what the last tie was, to which the reference did not come: a wrong way, or a line that does nothing.

        A statement under a condition is a line that the C comes to whether it holds or not. Where the reference is now
        where the C is, the wrong way is believed only if it explains all that the C holds.
        """
        assert self._aside is not None  # the caller has looked
        (aside, wrong), self._aside = self._aside, None
        self._stands, self._visits = -1, set()
        went = self._follower.next, aside
        if went[0] != address:
            self._judge(aside, wrong, went)
            return
        here = self._wrong(address, held, read)
        if not here:
            return
        steps = self._steps
        self._correct(wrong, aside)
        follows = self._advance(address, at_least=1) is _Came.THERE
        self._over, self.run.stopped = False, ""
        left = self._wrong(address, held, read)
        self._steps = steps
        if follows and not left:
            self._note(aside, wrong, went)
        else:
            self._note(address, here, None)
        self._correct(left, None if follows else address)

    def finish(self, outcome: Outcome) -> None:
        """Judges what came after the last tie."""
        self.run.outcome, self._sighting = outcome, None
        if self._over or (outcome.after is None and outcome.stop is StopKind.RETURNED):  # it was not to go on
            return
        if outcome.stop is StopKind.RETURNED and outcome.after is not None:
            regions = {region.address: region.data for region in outcome.after.memory}
            self._come_to(-1, RETURN_ADDRESS, outcome.after, lambda address, _: regions[address])
            if self._aside is not None:
                self._judge(RETURN_ADDRESS, self._aside[1], (self._follower.next, RETURN_ADDRESS))
            return
        if self._aside is not None:
            self._judge(self._aside[0], self._aside[1], (self._follower.next, self._aside[0]))
        if self._advance(RETURN_ADDRESS, at_least=1) is not _Came.NOWHERE:
            self._slip(RETURN_ADDRESS, {}, None, str(outcome.stop))

    def _passed_slot(self, address: int) -> bool:
        """Whether the reference has executed the delay slot at an address since the last tie."""
        return any(
            step.address == address and before.address == address - 4 and self._has_slot(address - 4)
            for before, step in pairwise(self._steps)
        )

    def _advance(self, address: int, at_least: int) -> _Came:
        """Lets the reference go to ``address`` or the first other tie."""
        follower = self._follower
        for done in range(_FARTHEST):
            here = follower.next
            if not follower.in_slot:
                if here == address and done >= at_least:
                    return _Came.THERE
                if address == here + 4 and self._has_slot(here):
                    return _Came.SLOT
                if here == RETURN_ADDRESS or (done and here in self._tied):
                    return _Came.ELSEWHERE
            step = follower.advance()
            if step is None or step.trap or follower.opened:
                self._over = True
                self.run.stopped = follower.opened or (step.trap if step is not None else "out of instructions")
                return _Came.NOWHERE
            self._steps.append(step)
        self._over, self.run.stopped = True, "no tie for long"
        return _Came.NOWHERE

    def _has_slot(self, address: int) -> bool:
        insn = decode(int.from_bytes(self._follower.read(address, 4), "big"))
        return insn is not None and insn.row.kind.has_slot

    def _judge(self, address: int, wrong: Wrong, went: tuple[int, int] | None) -> None:
        """Notes what was wrong, if anything, and puts the reference right."""
        self._note(address, wrong, went)
        self._correct(wrong, address if went else None)

    def _note(self, address: int, wrong: Wrong, went: tuple[int, int] | None) -> None:
        self.run.written.update({self.kind(loc) for step in self._steps for loc in step.writes})
        self.run.wrong.update({self.kind(loc) for loc in wrong})
        follows = went is not None and self._follows_wrong_address()
        self._carry(agrees=not wrong and went is None)
        if (wrong or went) and self._steps and not follows:
            self._slip(address, wrong, went)

    def _follows_wrong_address(self) -> bool:
        """Whether a jump went where a register led that had been wrong before: the C may have nothing there."""
        jumps = (one for one in self._steps if one.insn is not None and one.insn.row.kind is Kind.INDIRECT)
        return not self._watched.mends and any(one.reads.keys() & self._uncarried.keys() for one in jumps)

    def _carry(self, agrees: bool) -> None:
        """Notes which wrong places a step used; those that it wrote anew are forgotten.

        Where the C went another way and then did a step as the reference does it there, it is on that way.
        """
        if self._strayed is not None and self._steps:
            self._strayed.carried |= agrees
            self._strayed = None
        if not self._uncarried or self._watched.mends:
            return
        for step in self._steps:
            for loc in step.reads.keys() & self._uncarried.keys():
                self._uncarried[loc].carried |= agrees
            for loc in step.writes:
                self._uncarried.pop(loc, None)

    def _correct(self, wrong: Wrong, address: int | None) -> None:
        """Makes the reference and the C hold the same: what the C holds, or what is right where the C can be mended.

        Where the C is elsewhere, at ``address``, the reference goes on there.
        """
        if self._latest is not None:
            self._held, self._memory = self._latest
        if self._watched.mends and address is None and self._sighting is not None:
            self._mend(self._sighting, wrong)
        else:
            for loc, (_, value) in wrong.items():
                self._follower.put(loc, value)
        if address is not None:
            self._follower.restart(address)
        self._follower.opened = ""
        self._steps = []

    def _mend(self, sighting: Sighting, wrong: Wrong) -> None:
        """Gives the C what is right."""
        self._variables.put_right(sighting, wrong)
        right = {loc: value for loc, (value, _) in wrong.items() if loc[0] != "mem"}
        if self._held is not None and right:
            self._held = changed(self._held, right)
        for region in self._regions if len(right) < len(wrong) else ():
            self._memory[region.address] = self._follower.read(region.address, len(region.data))

    def _wrong(self, address: int, held: MachineState, read: Reader) -> Wrong:
        """What the C holds otherwise than the reference."""
        self._latest = held, {}
        return {**self._wrong_registers(address, held), **self._wrong_memory(address, read)}

    def _slip(self, at: int, wrong: Wrong, went: tuple[int, int] | None, ended: str = "") -> None:
        values = {loc: value for step in self._steps for loc, value in step.writes.items()}
        values.update((loc, value) for loc, (_, value) in wrong.items())
        unchanged = frozenset(loc for loc, value in values.items() if self._old(loc) == value)
        slip = Slip(self.run.sightings, at, tuple(self._steps), wrong, went, ended, unchanged, self._last)
        self.run.slips.append(slip)
        self._uncarried.update(dict.fromkeys(wrong, slip))
        self._strayed = slip if went is not None else None

    def _old(self, loc: Loc) -> int | None:
        """What the C held in a place at the last tie that was judged."""
        if self._held is None:
            return None
        if loc[0] == "mem":
            start = next((one.address for one in self._regions if one.address <= loc[1] < one.end), None)
            data = self._memory.get(start, b"") if start is not None else b""
            return data[loc[1] - start] if start is not None and data else None
        return held_in(self._held, loc)

    def _wrong_registers(self, address: int, held: MachineState) -> Wrong:
        expected = self._follower.registers()
        if (expected.gpr, expected.fpr, expected.hi, expected.lo) == (held.gpr, held.fpr, held.hi, held.lo) and (
            held.fcsr is None or not (expected.fcsr ^ held.fcsr) & _FCSR
        ):
            return {}
        stale = self._follower.stale_halves()
        places: list[tuple[Loc, int, int | None, int]] = [
            *((("gpr", n), expected.gpr[n], held.gpr[n], _WIDE) for n in range(1, 32)),
            (("hi", 0), expected.hi, held.hi, _WIDE),
            (("lo", 0), expected.lo, held.lo, _WIDE),
            *((("fpr", n), expected.fpr[n], held.fpr[n], _WORD if n in stale else _WIDE) for n in range(32)),
            (("fcsr", 0), expected.fcsr, held.fcsr, _FCSR),
        ]
        return {
            loc: (right, value)
            for loc, right, value, mask in places
            if value is not None and right != value and (right ^ value) & mask and not self._blind.hides(loc, address)
        }

    def _wrong_memory(self, address: int, read: Reader) -> Wrong:
        wrong: Wrong = {}
        hidden = self._blind.hides(STACK) or address == RETURN_ADDRESS
        for region in self._regions:
            right, value = self._follower.read(region.address, len(region.data)), read(region.address, len(region.data))
            if self._latest is not None:
                self._latest[1][region.address] = value
            for offset in differing(right, value):
                loc = ("mem", region.address + offset)
                if not hidden or self.kind(loc) != STACK:
                    wrong[loc] = right[offset], value[offset]
        return wrong

    def kind(self, loc: Loc) -> Loc:
        """The place that a place is counted under: a register, the dead stack, or any other memory."""
        if loc[0] != "mem":
            return loc
        return STACK if self._stack.start <= loc[1] < self._stack.stop else ("mem", 0)


def held_in(state: MachineState, loc: Loc) -> int | None:
    """What a state has in a register."""
    files = {"gpr": state.gpr, "fpr": state.fpr, "hi": (state.hi,), "lo": (state.lo,), "fcsr": (state.fcsr,)}
    return files[loc[0]][loc[1]]


def differing(right: bytes, value: bytes) -> Iterator[int]:
    """The offsets at which two equally long runs of bytes differ."""
    if right == value:
        return
    for start in range(0, len(right), _LINE):
        one, other = right[start : start + _LINE], value[start : start + _LINE]
        if one != other:
            yield from (start + n for n in range(len(one)) if one[n] != other[n])
