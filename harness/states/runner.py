"""Traced runs of a function in the reference, one state after another."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from harness.engines.base import MachineState, Region
from harness.engines.guest import Guest
from harness.engines.outside import Outside
from harness.states.origins import Locate, Tracer
from harness.states.plans import Plan
from harness.states.trace import Trace
from interp.events import WARNINGS

#: What the world outside draws its answers from while a shape is searched.
_DRAWS = 1


class Runner:
    """A machine that is set up anew for each run."""

    def __init__(self, code: Iterable[Region], fr: bool, outside: Outside | None = None) -> None:
        self._code = tuple(code)
        self._plans: dict[int, Plan] = {}
        self._guest = Guest(fr, outside)
        self._machine = self._guest.machine

    def trace(self, before: MachineState, entry: int, fuel: int, locate: Locate) -> Trace:
        """Runs from ``before`` at ``entry`` until the function returns, traps, or has used up ``fuel`` instructions."""
        self._prepare(before)
        tracer = Tracer(before, locate, self._plans)
        for step in self._guest.steps(entry, fuel, probing=True):
            tracer.follow(step)
        tracer.trace.returned = not tracer.trace.trap and tracer.trace.steps < fuel
        tracer.trace.counts = tracer.trace.returned and not self._is_open()
        return tracer.trace

    def ending(self, before: MachineState, entry: int, fuel: int) -> str:
        """How an untraced run ends: returned, trap, fuel, or ``open``: it returned, having used what is open."""
        self._prepare(before)
        stop = self._guest.run(entry, fuel).stop
        return "open" if stop.kind == "returned" and self._is_open() else stop.kind

    def _is_open(self) -> bool:
        """Whether the run used what the manual leaves open."""
        return any(kind not in WARNINGS for kind, _ in self._machine.events)

    def _prepare(self, before: MachineState) -> None:
        self._guest.place(self._code, replace(before, draws=_DRAWS))
