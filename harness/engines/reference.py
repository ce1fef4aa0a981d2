"""The reference leg: runs guest functions in ``interp``, and alone says what they reached and what was open."""

from __future__ import annotations

from harness.engines.base import (
    RETURN_ADDRESS,
    Coverage,
    GuestEvent,
    InitialRegisters,
    MachineState,
    Outcome,
    Region,
    StopKind,
    Target,
)
from harness.errors import HarnessError
from interp.machine import Machine, Stop
from interp.memory import Memory

_STOPS = {"returned": StopKind.RETURNED, "trap": StopKind.TRAP, "fuel": StopKind.FUEL}


class Reference:
    """An ``Engine`` on the interpreter; blocks that were compiled once serve all functions of a program."""

    name = "reference"
    version = "1"

    def __init__(self) -> None:
        self._memory = Memory()
        self._machines = {fr: Machine(self._memory, fr) for fr in (False, True)}
        self._target: Target | None = None

    def load(self, target: Target) -> None:
        """Makes ``target`` the function that ``run`` calls."""
        self._target = target

    def run(self, before: MachineState, fuel: int) -> Outcome:
        """Calls the loaded function from ``before``."""
        machine, entry = self.prepared(before)
        stop = machine.run(entry, RETURN_ADDRESS, fuel)
        return self._outcome(machine, stop, before)

    def prepared(self, before: MachineState) -> tuple[Machine, int]:
        """The machine as it is before a call, and the address to run from; also for a traced replay.

        It is the engine's own: the next run takes it over.
        """
        if self._target is None:
            raise HarnessError("reference", "run without a loaded function")
        if before.fr is not self._target.fr:
            raise HarnessError("reference", "the FR bit of the state is not that of the function", got=str(before.fr))
        machine = self._machines[before.fr]
        self._place(self._target.code, before.memory)
        start = InitialRegisters.of(before)
        machine.set_state(start.gpr, start.hi, start.lo, start.fpr, start.fcsr)
        return machine, self._target.entry

    def close(self) -> None:
        """Lets go of the guest's memory."""
        self._memory.clear()
        self._target = None

    def _place(self, code: tuple[Region, ...], memory: tuple[Region, ...]) -> None:
        """Maps the code, then what else the state declares, always in this order: the code cache goes by it."""
        self._memory.clear()
        in_state = {region.address: region for region in memory}
        executable = {region.address for region in code}
        for region in code:
            held = in_state.get(region.address, region)
            self._memory.map(region.address, held.data, held.writable, executable=True)
        for region in memory:
            if region.address not in executable:
                self._memory.map(region.address, region.data, region.writable, executable=False)

    def _outcome(self, machine: Machine, stop: Stop, before: MachineState) -> Outcome:
        gpr, hi, lo, fpr, fcsr = machine.get_state()
        memory = tuple(self._after(region) for region in before.memory)
        instructions, edges = machine.coverage()
        return Outcome(
            _STOPS[stop.kind],
            MachineState(stop.at, gpr, hi, lo, fpr, fcsr, before.fr, memory),
            trap=stop.trap,
            fault_address=stop.fault_address,
            at=stop.at,
            detail=stop.detail,
            events=tuple(GuestEvent(kind, address) for kind, address in machine.events),
            coverage=Coverage(instructions, edges),
            steps=stop.steps,
            open_halves=machine.stale_halves if before.fr else frozenset(),
        )

    def _after(self, region: Region) -> Region:
        """Gives what a region of the state holds now: the same object where nothing has changed."""
        if not region.writable:
            return region
        data = self._memory.read(region.address, len(region.data))
        return region if data == region.data else Region(region.address, data, region.writable, region.name)
