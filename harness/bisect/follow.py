"""One run of the C beside the record of the reference: the same calls, with the same in registers and memory?

Functions named as references are not run by the C: the record takes their place, and what they call runs as C again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from harness.abi import GPR_NAMES, SP
from harness.bisect.record import Event, Record, Way
from harness.compare import FCSR_CONTROL, stop_difference
from harness.engines.answering import Answering
from harness.engines.base import Outcome, StopKind
from harness.engines.translated import Translated
from harness.errors import HarnessError
from harness.results import Difference
from harness.translated import shared
from harness.translated.worker import Answer
from harness.verdicts import DifferenceKind
from interp.machine import Registers
from interp.optable import Loc

_LOW_WORD, _M64 = 0xFFFF_FFFF, (1 << 64) - 1
_SECONDS_AN_EVENT = 0.001  # of the C's processor time, for looking at what it keeps
_ROUNDING = 0x0100_0003  # FS and RM of FCR31: what a C may well give to the host


@dataclass(frozen=True, slots=True)
class Departure:
    """Where a run of the C left the record.

    ``function`` is the address of the one whose own code ran last, ``event`` the number of the event in the record that
    did not come as it should, ``moment`` says in words which.
    """

    function: int
    event: int
    moment: str
    difference: Difference


@dataclass(slots=True)
class Followed:
    """What one run of the C came to.

    ``entered`` are the functions that the C ran itself, in order of first entry; ``hiding`` those of them that changed
    what the C keeps beside the guest's registers and memory; ``bent`` those that left the host's floating-point control
    changed, with its value before and after.
    """

    departure: Departure | None = None
    entered: dict[int, None] = field(default_factory=dict)
    hiding: dict[int, None] = field(default_factory=dict)
    bent: dict[int, tuple[int, int]] = field(default_factory=dict)


@dataclass(slots=True)
class _Frame:
    """A function that has been entered.

    ``told`` is false for a call that the record does not have; ``driven`` says that the record stands for it, and
    ``waiting`` that C waits for it to come back. ``control`` is the host's floating-point control and ``rounding`` the
    guest's, as they were when its own code last began to run.
    """

    function: int
    told: bool = True
    driven: bool = False
    waiting: bool = True
    control: int = 0
    rounding: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """What one run is to be like: the record, which functions' calls are ``told``, and which are ``references``."""

    record: Record
    told: frozenset[int]
    names: Mapping[int, str]
    references: frozenset[int] = frozenset()


def follow(translation: Translated, plan: Plan, fuel: int) -> Followed:
    """Runs the loaded function from where the record begins, and says where the C left the record, if it did."""
    made: list[_Following] = []

    def answers(*arguments: Any) -> Answering:
        made.append(_Following(plan, translation.name, *arguments))
        return made[-1]

    translation.answers = answers
    try:
        outcome = translation.run(plan.record.before, fuel)
    finally:
        translation.answers = Answering
    if not made:
        raise HarnessError(translation.name, "cannot run a function that the C has", got=outcome.detail)
    return made[-1].result(outcome)


class _Following(Answering):
    follows = True

    def __init__(self, plan: Plan, leg: str, *arguments: Any) -> None:
        super().__init__(*arguments)
        self._plan = plan
        self._leg = leg
        self.allowance = _SECONDS_AN_EVENT * len(plan.record.events)
        self._events = plan.record.events
        self._next = 0
        self._frames: list[_Frame] = []
        self._functions = {number: address for address, number in self._library.boundaries.items()}
        self._expected = {r.address: bytearray(r.data) for r in self._before.memory if r.writable}
        self._hidden: int | None = None
        self._shared = 0  # events outside that both did
        self._followed = Followed()

    def answer(self) -> Answer:
        """Answers what the exchange asks."""
        exchange = self._process.exchange
        if exchange.request == shared.CAME_BACK:
            return self._comes_back()
        if exchange.request == shared.AGAIN:
            return self._drive()
        if exchange.request == shared.CALL and (function := self._functions[exchange.boundary]) in self._plan.told:
            return self._enters(function)
        return super().answer()

    def result(self, outcome: Outcome) -> Followed:
        """What the run came to, whose ``outcome`` is as its leg tells it."""
        unfinished = outcome.stop is not StopKind.RETURNED or self._next < len(self._events)
        if self._followed.departure is None and unfinished:
            legs = (("reference", Outcome(StopKind.RETURNED, None)), (self._leg, outcome))
            self._depart("while it runs", stop_difference(legs))
        return self._followed

    # -- calls and returns ---------------------------------------------------------------------------------------------

    def _enters(self, function: int) -> Answer:
        self._watch()
        own = self._frames and self._frames[-1].function == function
        if own and not self._comes(Way.ENTER, function):
            self._frames.append(replace(self._frames[-1], told=False))
            return Answer.RUN
        if not self._matches(Way.ENTER, function):
            return Answer.LEAVE
        driven = function in self._plan.references or function not in self._library.entries
        self._frames.append(_Frame(function, driven=driven))
        self._begin(self._frames[-1])
        if driven:
            return self._drive()
        self._followed.entered[function] = None
        return Answer.RUN

    def _comes_back(self) -> Answer:
        self._watch()
        frame = self._frames[-1]
        if frame.told and not self._matches(Way.LEAVE, frame.function):
            return Answer.LEAVE
        self._frames.pop()
        if frame.told and self._frames:
            self._begin(self._frames[-1])
        return Answer.GO_ON

    def _begin(self, frame: _Frame) -> None:
        """From here on ``frame``'s own code runs."""
        frame.control = int(self._process.exchange.control)
        frame.rounding = self._events[self._next - 1].registers.fcsr & _ROUNDING

    def _see_control(self, event: Event) -> None:
        """Sees whether the code that ran last changed the host's floating-point control, and the guest's did not."""
        control, frame = int(self._process.exchange.control), self._frames[-1] if self._frames else None
        if frame is None or frame.driven or control == frame.control:
            return
        if event.registers.fcsr & _ROUNDING == frame.rounding:
            self._followed.bent.setdefault(frame.function, (frame.control, control))

    def _drive(self) -> Answer:
        """Lets the record stand for the function on top, up to where C runs again."""
        while True:
            event = self._events[self._next]
            self._put(event)
            if event.way is Way.LEAVE:
                self._next += 1
                if self._frames.pop().waiting:
                    return Answer.GO_ON
            elif event.function in self._library.entries:
                self._process.exchange.function = self._library.entries[event.function]
                return Answer.CALL
            else:  # the C lacks it
                self._next += 1
                self._frames.append(_Frame(event.function, driven=True, waiting=False))

    def _watch(self) -> None:
        """Sees whether what the C keeps of its own has changed since the last question: whoever ran did that."""
        hidden = int(self._process.exchange.hidden)
        if self._frames and self._hidden not in (None, hidden) and not self._frames[-1].driven:
            self._followed.hiding[self._frames[-1].function] = None
        self._hidden = hidden

    def _comes(self, way: Way, function: int) -> bool:
        """Whether this is the next event of the record."""
        if self._next == len(self._events):
            return False
        event = self._events[self._next]
        return (event.way, event.function) == (way, function)

    # -- comparison ----------------------------------------------------------------------------------------------------

    def _matches(self, way: Way, function: int) -> bool:
        """Goes on to the next event of the record if the C does the same, and notes the departure if not."""
        event = self._events[self._next] if self._next < len(self._events) else None
        if event is not None:
            self._see_control(event)
        if event is None or not self._comes(way, function):
            told = self._told(event.way, event.function) if event else "nothing more"
            values = (("reference", told), (self._leg, self._told(way, function)))
            self._depart("while it runs", Difference(DifferenceKind.EVENT, self._name(function), values))
            return False
        self._write_expected(event)
        looks = (self._outside_difference, self._register_difference, self._memory_difference)
        difference = next((found for look in looks if (found := look(event)) is not None), None)
        if difference is not None:
            what = "when it returns" if way is Way.LEAVE else f"when it calls {self._name(function)}"
            self._depart(what, difference)
            return False
        self._next += 1
        return True

    def _told(self, way: Way, function: int) -> str:
        return f"{self._name(function)} is called" if way is Way.ENTER else f"{self._name(function)} returns"

    def _name(self, function: int) -> str:
        return self._plan.names.get(function, f"{function:016x}")

    def _depart(self, moment: str, difference: Difference) -> None:
        if not self._frames:
            raise HarnessError("translated C", "does not begin with what the state holds", got=str(difference.values))
        self._followed.departure = Departure(self._frames[-1].function, self._next, moment, difference)

    def _outside_difference(self, event: Event) -> Difference | None:
        """The first event outside that the C does not share with the reference so far."""
        done = self._world.events if self._world is not None else []
        ours = self._plan.record.outside
        for number in range(self._shared, max(event.outside, len(done))):
            one = ours[number] if number < event.outside else None
            other = done[number] if number < len(done) else None
            if one is None or other is None or not one.matches(other):
                legs = (("reference", one), (self._leg, other))
                values = tuple((leg, str(it) if it else "nothing") for leg, it in legs)
                return Difference(DifferenceKind.EVENT, (one or done[number]).where, values, number=number + 1)
        self._shared = event.outside
        return None

    def _register_difference(self, event: Event) -> Difference | None:
        found: list[tuple[Loc, int, int]] = []
        for loc in sorted(event.live):
            held, mask = self._view.get(loc), _mask(loc, event)
            expected = _value(event.registers, loc)
            if held is not None and (held ^ expected) & mask:
                found.append((loc, expected & mask, held & mask))
        if not found:
            return None
        loc, expected, held = found[0]
        digits = 8 if loc[0] == "fcsr" or (loc[0] == "fpr" and not self._before.fr) else 16
        values = (("reference", f"{expected:0{digits}x}"), (self._leg, f"{held:0{digits}x}"))
        return Difference(DifferenceKind.REGISTER, _register_name(loc), values, len(found) - 1, loc=loc)

    def _memory_difference(self, event: Event) -> Difference | None:
        for start, expected in self._expected.items():
            held = self._process.memory.read(start, len(expected))
            if held == expected:
                continue
            counted = bytearray(held)
            dead = event.registers.gpr[SP] - start
            if 0 < dead < len(counted):
                counted[:dead] = expected[:dead]
            for address in event.loose:
                if 0 <= address - start < len(counted):
                    counted[address - start] = expected[address - start]
            if counted != expected:
                return _byte_difference(start, expected, counted, self._leg)
        return None

    # -- what the record holds -----------------------------------------------------------------------------------------

    def _write_expected(self, event: Event) -> None:
        for page, data in event.pages.items():
            for start, held in self._expected.items():
                if 0 <= page - start < len(held):
                    held[page - start : page - start + len(data)] = data

    def _put(self, event: Event) -> None:
        """Gives the C all that the guest holds at an event."""
        self._write_expected(event)
        for page, data in event.pages.items():
            self._process.memory.write(page, data)
        registers = event.registers
        for kind, values in (("gpr", registers.gpr), ("fpr", registers.fpr)):
            for number, value in enumerate(values):
                self._view.set((kind, number), value)
        for kind, value in (("hi", registers.hi), ("lo", registers.lo), ("fcsr", registers.fcsr)):
            self._view.set((kind, 0), value)
        if self._world is not None:
            self._world.catch_up(self._plan.record.outside[: event.outside])


def _value(registers: Registers, loc: Loc) -> int:
    kind, number = loc
    held = getattr(registers, kind)
    return int(held[number] if kind in ("gpr", "fpr") else held)


def _mask(loc: Loc, event: Event) -> int:
    """The bits of a register that count: of FCSR the control bits, of a short register what was written last."""
    if loc[0] == "fcsr":
        return FCSR_CONTROL
    return _LOW_WORD if loc[0] == "fpr" and loc[1] in event.stale else _M64


def _register_name(loc: Loc) -> str:
    kind, number = loc
    return GPR_NAMES[number] if kind == "gpr" else f"f{number}" if kind == "fpr" else kind


def _byte_difference(start: int, expected: bytearray, held: bytearray, leg: str) -> Difference:
    """The first byte that differs, in the word that it is in."""
    low, high = 0, len(expected)
    while high - low > 1:  # the first difference is in [low, high)
        middle = (low + high) // 2
        low, high = (low, middle) if expected[low:middle] != held[low:middle] else (middle, high)
    word = low & -4
    values = tuple((name, data[word : word + 4].hex()) for name, data in (("reference", expected), (leg, held)))
    return Difference(DifferenceKind.MEMORY, f"{start + low:016x}", values, loc=("mem", start + low))
