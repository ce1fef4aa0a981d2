"""Runs the self-checking programs on both references and holds them against each other at every function return.

A return is seen where it arrives: at the instruction after the delay slot of a call. Both engines begin a block there,
so that neither has to be stopped and each runs the way it always does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import unicorn

from harness.abi import ABIS, GP, RA, SP, Abi
from harness.compare import FCSR_CAUSE, Rules, first_difference
from harness.config import Scope
from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Outcome, Region, StopKind, Target
from harness.engines.reference import Reference
from harness.engines.unicorn import Unicorn
from harness.program.elf import load_elf
from harness.program.model import Function, Program
from interp.blocks import Assembler, Block, Key
from interp.machine import Machine
from interp.optable import decode
from interp.words import sext64, zext64

PROGRAMS = Path(__file__).parents[2] / "fixtures" / "programs"
LEVELS = ("O0", "O1", "O2", "O3", "Os")
BUILDS = tuple(f"{abi}-{level}" for abi in ("o32", "n32", "eabi") for level in LEVELS)
NAMES = tuple(sorted(path.stem for path in (PROGRAMS / "src").glob("*.c")))
FUEL = 100_000
STACK = 0xFFFF_FFFF_8030_0000
STACK_SIZE = 4 * PAGE


@dataclass(frozen=True)
class Build:
    """One image of all programs; ``returns`` are the addresses behind its calls."""

    name: str
    program: Program = field(repr=False)

    @property
    def abi(self) -> Abi:
        """The calling convention of its code."""
        return ABIS[self.name.split("-")[0]]

    @cached_property
    def returns(self) -> frozenset[int]:
        """Where functions return to."""
        found = set()
        for function in self.program.functions:
            for address, word in self.program.words(function):
                insn = decode(word)
                if insn is not None and insn.row.links:
                    found.add(address + 8)
        return frozenset(found)

    def entry(self, name: str) -> Function:
        """The ``run`` of a program."""
        (function,) = self.program.find(f"run_{name}")
        return function

    def before(self) -> MachineState:
        """The state before a call of any ``run``, a number of its own in each register that has no part in it."""
        wide = self.abi.fr
        gpr = [0, *(0x1000_0001 * n % 0x7FFF_FFFF for n in range(1, 32))]
        gpr[SP], gpr[RA] = STACK + STACK_SIZE - 0x100, RETURN_ADDRESS
        gpr[GP] = self.program.gp
        fpr = [(0x4000_0000_0000_0000 + (n << 45)) if wide else 0x4000_0000 + (n << 16) for n in range(32)]
        stack = Region(STACK, b"\xa5" * STACK_SIZE, True, "stack")
        memory = tuple(sorted((*self.program.regions, stack), key=lambda region: region.address))
        return MachineState(None, tuple(gpr), 0x11, 0x22, tuple(fpr), 0, wide, memory)


def load_build(name: str) -> Build:
    """Loads a committed image."""
    return Build(name, load_elf(PROGRAMS / "bin" / f"programs-{name}.elf"))


# --- the two legs, each noting its state at every arrival ----------------------------------------------------------


class _Watched(Assembler):
    """Puts an op that calls ``arrived`` before all others of a block that begins where functions return to."""

    def __init__(self, machine: Machine, returns: frozenset[int], arrived: Callable[[int], None]) -> None:
        super().__init__(machine.memory, machine.slots, machine.fr)
        self._returns = returns
        self._arrived = arrived

    def block(self, key: Key, sound: int, end: int) -> Block:
        block = super().block(key, sound, end)
        if not isinstance(key, tuple) and (address := zext64(key)) in self._returns:
            block.ops.insert(0, (lambda _x, _y: self._note(address), 0, 0, 0))
            block.addresses.insert(0, address)
        return block

    def _note(self, address: int) -> int:
        self._arrived(address)
        return 0  # what the op leaves in register 0


class WatchedReference(Reference):
    """The reference, with the states in which functions of a build returned."""

    def __init__(self, build: Build) -> None:
        super().__init__()
        self.arrivals: list[Outcome] = []
        self._guest = self.guest(build.abi.fr)
        self._machine = self._guest.machine
        self._returns = build.returns
        self._machine.assembler = _Watched(self._machine, build.returns, self._arrived)
        self._regions: tuple[Region, ...] = ()

    def run(self, before: MachineState, fuel: int) -> Outcome:
        self.arrivals = []
        self._regions = before.memory
        return super().run(before, fuel)

    def replayed(self, before: MachineState, fuel: int) -> list[MachineState]:
        """The states of the arrivals again, from a traced replay."""
        self._regions = before.memory
        arrived, self.arrivals = self.arrivals, []
        found: list[MachineState] = []
        in_slot = False
        steps = self.steps(before, fuel)
        held: MachineState | None = self._state(0)  # the entry may stand behind a call that does not return
        for step in steps:
            if step.address in self._returns and held is not None:
                found.append(replace(held, pc=step.address))
            branches = step.insn is not None and step.insn.row.kind.has_slot
            held = self._state(0) if branches or in_slot else None
            in_slot = branches
        self.arrivals = arrived
        return found

    def _arrived(self, address: int) -> None:
        open_halves = self._machine.stale_halves if self._machine.fr else frozenset()
        self.arrivals.append(Outcome(StopKind.RETURNED, self._state(address), open_halves=open_halves))

    def _state(self, address: int) -> MachineState:
        gpr, hi, lo, fpr, fcsr = self._machine.get_state()
        memory = tuple(map(self._guest.after, self._regions))
        return MachineState(address, gpr, hi, lo, fpr, fcsr, self._machine.fr, memory)


class WatchedUnicorn(Unicorn):
    """Unicorn, with the states in which functions of a build returned."""

    def __init__(self, build: Build) -> None:
        super().__init__()
        self.arrivals: list[Outcome] = []
        self._returns = build.returns
        self._before = build.before()

    def load(self, target: Target) -> None:
        known = self._cpu
        super().load(target)
        if self._cpu is not known and self._cpu is not None:
            self._cpu._uc.hook_add(unicorn.UC_HOOK_BLOCK, self._on_block)

    def run(self, before: MachineState, fuel: int) -> Outcome:
        self.arrivals = []
        self._before = before
        return super().run(before, fuel)

    def _on_block(self, _uc: unicorn.Uc, address: int, _size: int, _data: object) -> None:
        address = zext64(sext64(address))
        if address not in self._returns or self._cpu is None:
            return
        before = self._before
        registers, fcsr = self._cpu.registers()
        fpr = registers[33:] if before.fr else tuple(value & 0xFFFF_FFFF for value in registers[33:])
        memory = tuple(map(self._cpu.after, before.memory))
        after = MachineState(
            address, (0, *registers[:31]), registers[31], registers[32], fpr, fcsr, before.fr, memory
        )
        self.arrivals.append(Outcome(StopKind.RETURNED, after))


# --- the check -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Comparison:
    """What one program said: ``findings`` are empty where it found itself right and both legs never differed."""

    returns: int
    steps: int
    findings: tuple[str, ...]


@dataclass
class Legs:
    """Both references on one build."""

    build: Build
    reference: WatchedReference
    unicorn: WatchedUnicorn

    @classmethod
    def of(cls, build: Build) -> Legs:
        """Fresh ones."""
        return cls(build, WatchedReference(build), WatchedUnicorn(build))

    def compare(self, name: str) -> Comparison:
        """Runs one program on both."""
        build = self.build
        function, before = build.entry(name), build.before()
        legs: tuple[WatchedReference | WatchedUnicorn, ...] = (self.reference, self.unicorn)
        outcomes = []
        for leg in legs:
            leg.load(build.program.target(function, build.abi.fr))
            outcomes.append(leg.run(before, FUEL))
        findings = [
            f"{leg.name}: {problem}"
            for leg, outcome in zip(legs, outcomes, strict=True)
            for problem in _problems(outcome, before, build.abi)
        ]
        ours, theirs = ([*leg.arrivals, end] for leg, end in zip(legs, outcomes, strict=True))
        findings += disagreement(build, before, ours, theirs)
        return Comparison(len(ours), outcomes[0].steps or 0, tuple(findings))


def _problems(outcome: Outcome, before: MachineState, abi: Abi) -> list[str]:
    """What is wrong with one run by itself: how it ended, what it gave, what it did not preserve."""
    after = outcome.after
    if outcome.stop is not StopKind.RETURNED or after is None:
        return [f"{outcome.stop} {outcome.trap} {outcome.detail} at {outcome.at or 0:x}"]
    problems = [f"open: {event.kind} at {event.address:x}" for event in outcome.events]
    if after.gpr[2] != 0:
        problems.append(f"check {after.gpr[2]} failed")
    problems += [f"r{n} is not preserved" for n in abi.preserved_gprs if after.gpr[n] != before.gpr[n]]
    problems += [f"f{n} is not preserved" for n in abi.preserved_fprs if after.fpr[n] != before.fpr[n]]
    return problems


def disagreement(build: Build, before: MachineState, ours: list[Outcome], theirs: list[Outcome]) -> list[str]:
    """The first return at which the legs differ, if any; the last of each list is the end of the program."""
    rules = Rules(Scope.ALL, build.abi)
    for number, (a, b) in enumerate(zip(ours, theirs, strict=False), 1):
        if a.after is None or b.after is None:
            return [f"return {number}: a leg has no state"]
        if a.after == b.after:
            continue
        if number < min(len(ours), len(theirs)) and a.after.pc != b.after.pc:
            return [f"return {number}: arrives at {a.after.pc:x} or at {b.after.pc:x}"]
        difference = first_difference(before, (("reference", a), ("unicorn", b)), rules, FCSR_CAUSE)
        if difference is not None:
            values = ", ".join(f"{leg} {value}" for leg, value in difference.values)
            return [f"return {number}, to {_place(build, a.after.pc)}: {difference.where}: {values}"]
    if len(ours) != len(theirs):
        return [f"{len(ours)} and {len(theirs)} returns"]
    return []


def _place(build: Build, address: int | None) -> str:
    function = None if address is None else build.program.function_at(address)
    return "the caller" if function is None or address is None else f"{function.name}+{address - function.address:#x}"
