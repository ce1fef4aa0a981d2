"""A guest program in the interpreter, with what lies outside of it.

A boundary cannot be fetched: the block that leads there ends in a trap of our own, the run stops, the world answers,
and the run goes on where ``ra`` points. Programs without boundaries and windows run as if there were no such thing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.abi import RA, SP
from harness.engines import registers
from harness.engines.base import (
    RETURN_ADDRESS,
    Coverage,
    GuestEvent,
    InitialRegisters,
    MachineState,
    Region,
    boundary_pages,
)
from harness.engines.footprint import Footprint
from harness.engines.outside import Boundary, DeviceWindow, Effect, Outside, OutsideEvent
from harness.engines.probes import Uses, ending
from harness.engines.replay import Replays, Step
from harness.engines.trail import coverage, jumps
from harness.engines.world import World, callee_event
from interp.events import GuestTrap
from interp.machine import Machine, Stop
from interp.memory import PAGE_BITS, Memory
from interp.optable import Loc
from interp.words import sext64, zext64

#: The traps of our own by which a run stops: before a boundary, and because it does too much outside.
BOUNDARY, TOO_MUCH = "boundary", "too much outside"

#: Where an isolated callee returns to: nobody else does.
_CALLEE_RETURNS = RETURN_ADDRESS + 0x10


class _Memory(Memory):
    """Guest memory in which boundaries cannot be run."""

    __slots__ = ("barred",)

    def __init__(self) -> None:
        super().__init__()
        self.barred: frozenset[int] = frozenset()

    def fetch(self, address: int) -> int:
        """The instruction word at ``address``."""
        if address in self.barred:
            raise GuestTrap(BOUNDARY, zext64(address))
        return super().fetch(address)


class _DeviceMemory(_Memory):
    """Guest memory with windows of devices in it."""

    __slots__ = ("_pages", "_passed", "traced", "world")

    def __init__(self, windows: tuple[DeviceWindow, ...]) -> None:
        super().__init__()
        self.world: World | None = None
        self.traced = False  # a replay looks at the bytes of each access after it was made
        self._passed = b""
        starts = (0xFFFF_FFFF_8000_0000, 0xFFFF_FFFF_A000_0000)
        self._pages = frozenset(
            page
            for window in windows
            for start in starts
            for page in range(
                sext64(start | window.address & 0x1FFF_FFFF) >> PAGE_BITS,
                (sext64(start | window.end - 1 & 0x1FFF_FFFF) >> PAGE_BITS) + 1,
            )
        )

    def load(self, address: int, n: int) -> int:
        """Loads ``n`` bytes."""
        if address >> PAGE_BITS not in self._pages:
            return super().load(address, n)
        if self._passed:
            value, self._passed = self._passed[:n], self._passed[n:]
            return int.from_bytes(value, "big")
        window, world = self._window(address, n)
        if window is None or world is None:
            return super().load(address, n)
        return self._pass(world.load(window, zext64(address), n), n)

    def store(self, address: int, n: int, value: int) -> None:
        """Stores the low ``n`` bytes of ``value``."""
        window, world = self._window(address, n) if address >> PAGE_BITS in self._pages else (None, None)
        if window is None or world is None:
            super().store(address, n, value)
        else:
            world.store(window, zext64(address), n, self._pass(value & (1 << 8 * n) - 1, n))

    def merge(self, address: int, n: int, value: int, mask: int) -> None:
        """Stores those bits of ``value`` that are set in ``mask``, which no device takes."""
        if address >> PAGE_BITS in self._pages and self._window(address, n)[0] is not None:
            raise GuestTrap("refused", zext64(address), "a store of part of a word to a device")
        super().merge(address, n, value, mask)

    def _window(self, address: int, n: int) -> tuple[DeviceWindow | None, World | None]:
        if self.world is None or address & (n - 1):
            return None, None
        if self.world.full:
            raise GuestTrap(TOO_MUCH)
        return self.world.outside.window_at(zext64(address)), self.world

    def _pass(self, value: int, n: int) -> int:
        """Keeps the bytes of an access for the replay, which asks for each of them once, in order."""
        if self.traced:
            self._passed = value.to_bytes(n, "big")
        return value


class _View:
    """The machine as the world sees it."""

    def __init__(self, machine: Machine) -> None:
        self._machine = machine
        self.changed: dict[Loc, int] = {}

    def get(self, loc: Loc) -> int:
        """The unsigned value of a register."""
        return registers.get(self._machine, loc)

    def set(self, loc: Loc, value: int) -> None:
        """Gives a register an unsigned value."""
        registers.put(self._machine, loc, value)
        self.changed[loc] = value

    def read(self, address: int, size: int) -> bytes:
        """The bytes at a guest address."""
        return self._machine.memory.read(address, size)

    def write(self, address: int, data: bytes) -> None:
        """Puts bytes at a guest address."""
        for offset, byte in enumerate(data):
            self._machine.memory.store(sext64(address + offset), 1, byte)
            self.changed["mem", address + offset] = byte


@dataclass(frozen=True, slots=True)
class Ran:
    """One run: how it stopped, over all its parts, and what it met.

    ``jumps`` are those through registers: (where the block of the jump begins, target). ``effects`` are those of
    isolated callees, of which one did not return where ``in_callee`` is set.
    """

    stop: Stop
    coverage: Coverage
    events: tuple[GuestEvent, ...]
    jumps: frozenset[tuple[int, int]] = frozenset()
    outside: tuple[OutsideEvent, ...] = ()
    effects: tuple[Effect, ...] = ()
    in_callee: bool = False


class Guest:
    """A machine for one setting of the FR bit and what lies outside, for any number of runs."""

    def __init__(self, fr: bool, outside: Outside | None = None) -> None:
        windows = outside.windows if outside is not None else ()
        self.memory = _DeviceMemory(windows) if windows else _Memory()
        self.machine = Machine(self.memory, fr)
        self._replays = Replays(self.machine)
        self._outside = outside
        self._boundaries = frozenset(outside.boundaries if outside is not None else ())
        self._barred = frozenset(map(sext64, self._boundaries))
        self._code: tuple[Region, ...] = ()
        self._beyond: tuple[Region, ...] = ()
        self._world: World | None = None
        self._view = _View(self.machine)
        self._effects: list[Effect] = []
        self._probing = False

    def place(self, code: tuple[Region, ...], before: MachineState) -> None:
        """Makes the machine ready to run from ``before``: the code is mapped first, for the code cache goes by it."""
        self.memory.clear()
        in_state = {region.address: region for region in before.memory}
        executable = {region.address for region in code}
        for region in code:
            held = in_state.get(region.address, region)
            self.memory.map(region.address, held.data, held.writable, executable=True)
        if code is not self._code:
            self._code, self._beyond = code, boundary_pages(self._outside, code)
        for region in (*before.memory, *self._beyond):
            if region.address not in executable:
                self.memory.map(region.address, region.data, region.writable, executable=False)
        start = InitialRegisters.of(before)
        self.machine.set_state(start.gpr, start.hi, start.lo, start.fpr, start.fcsr)
        self.memory.barred = self._barred
        self._world = World(self._outside, before) if self._outside is not None else None
        self._effects = []
        self._probing = False
        if isinstance(self.memory, _DeviceMemory):
            self.memory.world, self.memory.traced = self._world, False

    def run(self, entry: int, fuel: int) -> Ran:
        """Runs to the return address, and answers every call outside on the way.

        Units: ``fuel`` in instructions.
        """
        machine, pc, left = self.machine, entry, fuel
        parts: list[Coverage] = []
        events: dict[tuple[str, int], None] = {}
        jumped: set[tuple[int, int]] = set()
        in_callee = False
        while True:
            stop = machine.run(pc, RETURN_ADDRESS, left)
            parts.append(coverage(machine))
            events |= machine.events
            jumped |= jumps(machine)
            left -= stop.steps
            if stop.trap != BOUNDARY:
                break
            crossing = _Crossing(left)
            for _ in self._cross(stop.at, crossing):
                pass
            left = crossing.fuel
            if crossing.stop is not None:
                stop, in_callee = crossing.stop, True
                break
            pc = self._view.get(("gpr", RA))
        if stop.trap == TOO_MUCH:
            stop = stop._replace(kind="fuel", trap="")
        return Ran(
            stop._replace(steps=fuel - left),
            self._coverage(parts),
            tuple(GuestEvent(kind, address) for kind, address in events),
            frozenset(jumped),
            self.outside_events,
            tuple(self._effects),
            in_callee,
        )

    def _coverage(self, parts: list[Coverage]) -> Coverage:
        """What all parts of a run reached of the program itself."""
        if len(parts) == 1:
            return parts[0]
        instructions = {address for part in parts for address in part.instructions}
        edges = frozenset(edge for part in parts for edge in part.edges)
        return Coverage(frozenset(instructions - self._boundaries), edges)

    def steps(self, entry: int, fuel: int, probing: bool = False) -> Iterator[Step]:
        """Runs as ``run`` does, instruction by instruction.

        A call outside is a step without an instruction that writes what the world gave. With ``probing`` it is told as
        instructions that use what was given (``probes``), and ends the run where they would trap.
        """
        self._probing = probing
        yield from self._through(entry, RETURN_ADDRESS, _Crossing(fuel))
        self._probing = False

    @property
    def outside_events(self) -> tuple[OutsideEvent, ...]:
        """What the run did outside so far."""
        return tuple(self._world.events) if self._world is not None else ()

    @property
    def outside_count(self) -> int:
        """How much that is."""
        return len(self._world.events) if self._world is not None else 0

    def after(self, region: Region) -> Region:
        """Gives what a region of the state holds now: the same object where nothing has changed."""
        if not region.writable:
            return region
        data = self.memory.read(region.address, len(region.data))
        return region if data == region.data else Region(region.address, data, region.writable, region.name)

    def _through(self, pc: int, until: int, crossing: _Crossing) -> Iterator[Step]:
        """Yields the steps from ``pc`` to ``until``; a trap or the end of the fuel is left in ``crossing``."""
        self._trace(True)
        while pc != until:
            at_boundary = False
            for step in self._replays.steps(pc, until, crossing.fuel, self.memory.barred):
                if step.trap == BOUNDARY:
                    at_boundary = True
                    break
                crossing.fuel -= 1
                if step.trap:
                    crossing.stop = Stop("trap", step.trap, step.address, step.fault_address, 0)
                yield step
                if step.trap:
                    return
            if not at_boundary:
                if crossing.fuel <= 0:
                    crossing.stop = Stop("fuel", "", step.address, None, 0)
                return
            yield from self._cross(step.address, crossing)
            if crossing.stop is not None:
                return
            pc = self._view.get(("gpr", RA))

    def _cross(self, address: int, crossing: _Crossing) -> Iterator[Step]:
        """Lets what lies at a boundary do its work; yields the steps of a callee, or one for all of an external."""
        outside, world = self._outside, self._world
        assert outside is not None and world is not None  # without them nothing is barred
        boundary = outside.boundaries[address]
        if world.full:
            crossing.stop = Stop("fuel", "", address, None, 0, "too many events outside")
        elif boundary.isolated:
            yield from self._callee(boundary, world, crossing)
        elif self._probing:
            for step in Uses(boundary, world, self._view, self.memory).steps(self._view):
                yield step
                if step.trap:
                    crossing.stop = Stop("trap", step.trap, address, step.fault_address, 0)
                    return
            world.call(boundary, self._view)
            yield from ending(world, self._view)
        else:
            self._view.changed = {}
            world.call(boundary, self._view)
            yield Step(address, None, writes=self._view.changed)

    def _callee(self, boundary: Boundary, world: World, crossing: _Crossing) -> Iterator[Step]:
        """Runs an isolated callee as the guest has it, and notes what it took and what it left."""
        view, memory = self._view, self.memory
        home = view.get(("gpr", RA))
        footprint = Footprint(world.outside, view.get(("gpr", SP)))
        before = {loc: view.get(loc) for loc in footprint.arguments}
        nested, barred, traced = world.nested(), memory.barred, self._trace(True)
        memory.barred = frozenset(a for a in barred if not world.outside.boundaries[zext64(a)].isolated)
        view.set(("gpr", RA), _CALLEE_RETURNS)
        self._enter(nested)
        try:
            for step in self._through(boundary.address, _CALLEE_RETURNS, crossing):
                footprint.follow(step)
                yield step
        finally:
            memory.barred = barred
            self._enter(world)
            self._trace(traced)
        if crossing.stop is None:
            view.set(("gpr", RA), home)
            effect = footprint.effect(boundary.name, {loc: self._held(loc) for loc in footprint.written})
            taken = {loc: before[loc] for loc in effect.reads}
            world.events.append(callee_event(effect, taken, footprint.looked))
            self._effects.append(effect)

    def _held(self, loc: Loc) -> int:
        """What a register or a byte of memory holds."""
        return self.memory.load(sext64(loc[1]), 1) if loc[0] == "mem" else self._view.get(loc)

    def _enter(self, world: World) -> None:
        """Makes ``world`` the one that answers."""
        self._world = world
        if isinstance(self.memory, _DeviceMemory):
            self.memory.world = world

    def _trace(self, traced: bool) -> bool:
        """Says whether each access is looked at again; gives what was said before."""
        if not isinstance(self.memory, _DeviceMemory):
            return traced
        before, self.memory.traced = self.memory.traced, traced
        return before


@dataclass(slots=True)
class _Crossing:
    """What is left of a run, in instructions, and how it stopped where it did not go on."""

    fuel: int
    stop: Stop | None = None
