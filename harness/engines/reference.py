"""The reference leg: runs guest functions in ``interp``, and alone says what they reached and what was open."""

from __future__ import annotations

from collections.abc import Iterator

from harness.engines.astray import Strays
from harness.engines.base import MachineState, Outcome, StopKind, Target
from harness.engines.guest import Guest, Ran
from harness.engines.outside import Outside
from harness.engines.replay import Step
from harness.errors import HarnessError

_STOPS = {"returned": StopKind.RETURNED, "trap": StopKind.TRAP, "fuel": StopKind.FUEL}


class Reference:
    """An ``Engine`` on the interpreter; blocks that were compiled once serve all functions of a program."""

    name = "reference"
    version = "1"

    def __init__(self) -> None:
        self._outside: Outside | None = None
        self._guests: dict[bool, Guest] = {}
        self._target: Target | None = None
        self._strays: Strays | None = None

    def load(self, target: Target) -> None:
        """Makes ``target`` the function that ``run`` calls."""
        if target.outside is not self._outside:
            self._outside = target.outside
            self._guests.clear()
        if self._strays is None or self._target is None or target.code is not self._target.code:
            self._strays = Strays(target)
        self._target = target

    def run(self, before: MachineState, fuel: int) -> Outcome:
        """Calls the loaded function from ``before``."""
        guest, entry = self._prepared(before)
        ran = guest.run(entry, fuel)
        return _outcome(guest, ran, before, self._strays is not None and self._strays.any(ran.jumps))

    def steps(self, before: MachineState, fuel: int) -> Iterator[Step]:
        """Calls the loaded function from ``before``, instruction by instruction; no other run may come between."""
        guest, entry = self._prepared(before)
        return guest.steps(entry, fuel)

    def guest(self, fr: bool) -> Guest:
        """The guest with this setting of the FR bit, as the last run left it."""
        if fr not in self._guests:
            self._guests[fr] = Guest(fr, self._outside)
        return self._guests[fr]

    def close(self) -> None:
        """Lets go of the guest's memory."""
        self._guests.clear()
        self._target = None

    def _prepared(self, before: MachineState) -> tuple[Guest, int]:
        """The guest as it is before a call, and the address to run from."""
        if self._target is None:
            raise HarnessError("reference", "run without a loaded function")
        if before.fr is not self._target.fr:
            raise HarnessError("reference", "the FR bit of the state is not that of the function", got=str(before.fr))
        guest = self.guest(before.fr)
        guest.place(self._target.code, before)
        return guest, self._target.entry


def _outcome(guest: Guest, ran: Ran, before: MachineState, astray: bool) -> Outcome:
    machine, stop = guest.machine, ran.stop
    gpr, hi, lo, fpr, fcsr = machine.get_state()
    memory = tuple(map(guest.after, before.memory))
    return Outcome(
        _STOPS[stop.kind],
        MachineState(stop.at, gpr, hi, lo, fpr, fcsr, before.fr, memory),
        trap=stop.trap,
        fault_address=stop.fault_address,
        at=stop.at,
        detail=stop.detail,
        events=ran.events,
        coverage=ran.coverage,
        steps=stop.steps,
        open_halves=machine.stale_halves if before.fr else frozenset(),
        outside=ran.outside,
        effects=ran.effects,
        in_callee=ran.in_callee,
        astray=astray,
    )
