"""The Unicorn leg: runs guest functions on Unicorn's MIPS64 engine.

The leg never claims a program counter: Unicorn's is stale after most exceptions. ``faults`` lists the known
faults of Unicorn, ``guard`` plans how this leg keeps clear of them.
"""

from __future__ import annotations

import unicorn

from harness.engines.base import InitialRegisters, MachineState, Outcome, StopKind, Target
from harness.engines.guard import plan_route
from harness.engines.unicorn_cpu import Cpu, Halt, is_unmapped_segment
from harness.engines.unicorn_standing import remembered, require_known
from harness.engines.world import World
from harness.errors import HarnessError

_LOW_WORD = 0xFFFF_FFFF


class Unicorn:
    """An ``Engine`` on Unicorn; one instance serves all functions of a program.

    Errors: ``UsageError`` where the installed version does what no version did when its faults were measured.
    """

    name = "unicorn"
    version = unicorn.__version__

    def __init__(self) -> None:
        require_known(remembered())
        self._target: Target | None = None
        self._cpu: Cpu | None = None

    def load(self, target: Target) -> None:
        """Makes ``target`` the function that ``run`` calls; another program or FR bit means a new instance."""
        for region in target.code:
            if not is_unmapped_segment(region.address):
                where = f"unicorn: code at {region.address:016x}"
                raise HarnessError(where, "is outside kseg0 and kseg1", help="the loader should have refused the image")
        known = self._target
        same = known is not None and known.code is target.code and known.fr is target.fr
        if not same or self._cpu is None or known is None or known.outside is not target.outside:
            self._cpu = Cpu(target.code, plan_route(target.code, target.fr), target.outside)
        self._target = target

    def run(self, before: MachineState, fuel: int) -> Outcome:
        """Calls the loaded function from ``before``."""
        if self._target is None or self._cpu is None:
            raise HarnessError("unicorn", "run without a loaded function")
        if before.fr is not self._target.fr:
            raise HarnessError("unicorn", "the FR bit of the state is not that of the function", got=str(before.fr))
        outside = next((region for region in before.memory if not is_unmapped_segment(region.address)), None)
        if outside is not None:
            detail = f"memory at {outside.address:016x} would need the TLB"
            return Outcome(StopKind.UNSUPPORTED, after=None, detail=detail)
        self._cpu.place(before.memory)
        start = InitialRegisters.of(before)
        registers = (*start.gpr[1:], start.hi, start.lo, *start.fpr)
        world = World(self._target.outside, before) if self._target.outside is not None else None
        halt = self._cpu.run(self._target.entry, registers, start.fcsr, fuel, world)
        events = tuple(world.events) if world is not None else ()
        if halt.unsupported:
            return Outcome(StopKind.UNSUPPORTED, after=None, detail=halt.unsupported)
        after = None if halt.early else _state(self._cpu, before)
        return Outcome(_stop(halt), after, trap=halt.trap, fault_address=halt.fault_address, outside=events)

    def close(self) -> None:
        """Lets go of Unicorn's memory."""
        self._cpu = self._target = None


def _stop(halt: Halt) -> StopKind:
    if halt.trap:
        return StopKind.TRAP
    return StopKind.RETURNED if halt.returned else StopKind.FUEL


def _state(cpu: Cpu, before: MachineState) -> MachineState:
    """Reads the state after a run that began at ``before``."""
    registers, fcsr = cpu.registers()
    gpr, hi, lo, fpr = registers[:31], registers[31], registers[32], registers[33:]
    return MachineState(
        pc=None,
        gpr=(0, *gpr),
        hi=hi,
        lo=lo,
        fpr=fpr if before.fr else tuple(value & _LOW_WORD for value in fpr),
        fcsr=fcsr,
        fr=before.fr,
        memory=tuple(cpu.after(region) for region in before.memory),
    )
