"""Traced runs of a function in the reference, one state after another."""

from __future__ import annotations

from collections.abc import Iterable

from harness.engines.base import RETURN_ADDRESS, InitialRegisters, MachineState, Region
from harness.states.origins import Locate, Tracer
from harness.states.plans import Plan
from harness.states.trace import Trace
from interp.events import WARNINGS
from interp.machine import Machine
from interp.memory import Memory
from interp.replay import steps


class Runner:
    """A machine that is set up anew for each run."""

    def __init__(self, code: Iterable[Region], fr: bool) -> None:
        self._executable = frozenset(region.address for region in code)
        self._memory = Memory()
        self._plans: dict[int, Plan] = {}
        self._machine = Machine(self._memory, fr)

    def trace(self, before: MachineState, entry: int, fuel: int, locate: Locate) -> Trace:
        """Runs from ``before`` at ``entry`` until the function returns, traps, or has used up ``fuel`` instructions."""
        self._prepare(before)
        tracer = Tracer(before, locate, self._plans)
        for step in steps(self._machine, entry, RETURN_ADDRESS, fuel):
            tracer.follow(step)
        tracer.trace.returned = not tracer.trace.trap and tracer.trace.steps < fuel
        tracer.trace.counts = tracer.trace.returned and not self._is_open()
        return tracer.trace

    def ending(self, before: MachineState, entry: int, fuel: int) -> str:
        """How an untraced run ends: returned, trap, fuel, or ``open``: it returned, having used what is open."""
        self._prepare(before)
        stop = self._machine.run(entry, RETURN_ADDRESS, fuel)
        return "open" if stop.kind == "returned" and self._is_open() else stop.kind

    def _is_open(self) -> bool:
        """Whether the run used what the manual leaves open."""
        return any(kind not in WARNINGS for kind, _ in self._machine.events)

    def _prepare(self, before: MachineState) -> None:
        self._memory.clear()
        for region in before.memory:
            executable = region.address in self._executable
            self._memory.map(region.address, region.data, region.writable, executable)
        start = InitialRegisters.of(before)
        self._machine.set_state(start.gpr, start.hi, start.lo, start.fpr, start.fcsr)
