"""A run of the reference as a list of calls: what the guest held whenever control went from one function to another.

Between two neighbouring events one function's own code runs, and no other. So the first event at which the C holds
something else names the function that went wrong. What counts as "something else" is exact for this run: a register
counts if the rest of the run reads it before it writes it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from harness.abi import RA, SP, Abi
from harness.engines.base import PAGE, MachineState, Region
from harness.engines.guest import Guest
from harness.engines.outside import OutsideEvent
from harness.engines.replay import Step
from interp.machine import Registers
from interp.optable import Insn, Kind, Loc
from interp.words import zext64

#: Registers that say nothing of a call: where it goes back to, and the operating system's two.
_UNTOLD: frozenset[Loc] = frozenset(("gpr", n) for n in (0, 26, 27, RA))


class Way(StrEnum):
    """Which way control went."""

    ENTER = "enter"
    LEAVE = "leave"


@dataclass(slots=True)
class Event:
    """Control came into a function or left it.

    ``function`` is its guest address; ``registers`` is all that the guest held, ``stale`` the FPRs whose upper half is
    open. ``pages`` are those that were written since the event before, by address; ``loose`` the bytes of memory that
    hold a saved return address or the open half of a saved register. ``live`` are the registers that the rest of the
    run still reads. ``outside`` counts the events outside so far, ``steps`` the instructions.
    """

    way: Way
    function: int
    registers: Registers
    stale: frozenset[int]
    pages: Mapping[int, bytes]
    loose: frozenset[int]
    outside: int
    steps: int
    live: frozenset[Loc] = frozenset()


@dataclass(frozen=True, slots=True)
class Record:
    """One run of the reference from ``before``; ``ended`` says why it did not come back, if it did not.

    ``called`` are all functions that were called, told or not, in order of their first call.
    """

    before: MachineState
    events: tuple[Event, ...]
    outside: tuple[OutsideEvent, ...]
    called: tuple[int, ...]
    ended: str = ""


@dataclass(slots=True)
class _Frame:
    function: int
    returns_to: int
    sp: int
    told: bool


@dataclass(slots=True)
class _Branch:
    """A branch whose delay slot is still to run; ``link`` is where a call comes back to."""

    target: int
    link: int | None


def record(
    guest: Guest,
    before: MachineState,
    entry: int,
    fuel: int,
    extents: Mapping[int, int],
    told: frozenset[int],
    abi: Abi,
) -> Record:
    """Runs a function from ``before``, for which ``guest`` is made ready, and notes its calls.

    ``extents`` gives the end of each function by its address; calls of those that are not ``told`` are counted with
    their caller, as are direct calls of a function by itself, which compilers may bind.
    """
    return _Recorder(guest, before, extents, told, abi).run(entry, fuel)


class _Recorder:
    def __init__(
        self, guest: Guest, before: MachineState, extents: Mapping[int, int], told: frozenset[int], abi: Abi
    ) -> None:
        self._guest = guest
        self._before = before
        self._extents = extents
        self._told = told
        self._abi = abi
        self._frames: list[_Frame] = []
        self._called: dict[int, None] = {}
        self._events: list[Event] = []
        self._trail: list[tuple[Iterable[Loc], Iterable[Loc]] | Event] = []
        self._dirty: set[int] = set()
        self._loose: frozenset[int] = frozenset()
        self._reloaded: frozenset[int] = frozenset()  # FPRs
        self._steps = 0

    def run(self, entry: int, fuel: int) -> Record:
        """The whole run; see ``record``."""
        ended = ""
        branch: _Branch | None = None
        self._enter(entry, self._gpr(RA))
        for step in self._guest.steps(entry, fuel):
            self._steps += 1
            self._follow(step)
            if step.trap:
                ended = f"trap {step.trap} at {step.address:016x}"
                break
            if step.insn is None:
                self._arrive(self._gpr(RA), None, step.address)  # a call outside went back
            elif branch is not None:
                self._arrive(branch.target, branch.link, step.address)
                branch = None
            else:
                branch = self._branch(step)
                if branch is None and step.taken is None:
                    self._arrive(step.address + 4, None, step.address)
        if not ended and self._frames:
            ended = f"no end within {fuel:,} instructions"
        self._find_live()
        return Record(self._before, tuple(self._events), self._guest.outside_events, tuple(self._called), ended)

    def _follow(self, step: Step) -> None:
        """Notes what one instruction read and wrote."""
        self._trail.append((step.reads, step.writes))
        if step.insn is not None and step.insn.row.fp_out == 64:
            self._note_loaded(step, step.insn)
        written = [loc[1] for loc in step.writes if loc[0] == "mem"]
        if written:
            self._dirty.update({address & -PAGE for address in written})
            loose = set(self._loose_of(step, written))
            if loose or not self._loose.isdisjoint(written):
                self._loose = self._loose.difference(written) | loose

    def _loose_of(self, step: Step, written: list[int]) -> Iterable[int]:
        """The bytes of a store that nobody can count on: a return address, and the upper half where it is open."""
        insn = step.insn
        if insn is None or insn.row.kind is not Kind.STORE:
            return ()
        if "t" in insn.row.reads:
            return written if insn.t == RA else ()
        return written[:4] if len(written) == 8 and insn.t in self._stale() else ()

    def _note_loaded(self, step: Step, insn: Insn) -> None:
        """A register that is loaded from where an open half was saved has one again."""
        for kind, number in step.writes:
            if kind == "fpr":
                reads = [loc[1] for loc in step.reads if loc[0] == "mem"]
                loaded = insn.row.kind is Kind.LOAD and not self._loose.isdisjoint(reads)
                self._reloaded = self._reloaded | {number} if loaded else self._reloaded - {number}

    def _stale(self) -> frozenset[int]:
        """The FPRs whose upper half is open."""
        return self._guest.machine.stale_halves | self._reloaded if self._before.fr else frozenset()

    def _branch(self, step: Step) -> _Branch | None:
        """The branch that ``step`` takes, behind whose delay slot control goes on somewhere else."""
        insn = step.insn
        if insn is None or not insn.row.kind.has_slot or not step.taken:
            return None
        indirect = insn.row.kind is Kind.INDIRECT
        target = step.reads[("gpr", insn.s)] if indirect else insn.target(step.address)
        return _Branch(target, step.address + 8 if insn.row.links else None)

    def _arrive(self, at: int, link: int | None, came_from: int) -> None:
        """Control is about to run the instruction ``at``, from another one."""
        if link is not None:
            if at in self._extents:
                self._enter(at, link)
            return
        sp = self._gpr(SP)
        if self._frames and (at, sp) == (self._frames[-1].returns_to, self._frames[-1].sp):
            while self._frames and (at, sp) == (self._frames[-1].returns_to, self._frames[-1].sp):
                self._leave()
        elif at in self._extents and self._frames and not self._within(came_from, at):
            self._enter(at, self._frames[-1].returns_to)  # a tail call goes back where its caller would

    def _within(self, came_from: int, function: int) -> bool:
        """Whether an instruction belongs to a function, so that it runs its first instruction again and no call."""
        return function <= came_from < self._extents[function]

    def _enter(self, function: int, returns_to: int) -> None:
        self._called[function] = None
        own = bool(self._frames) and self._frames[-1].function == function
        told = function in self._told and not own
        # What is not told runs as part of the function that called it.
        shown = function if told or not self._frames else self._frames[-1].function
        self._frames.append(_Frame(shown, returns_to, self._gpr(SP), told))
        if told:
            self._event(Way.ENTER, function)

    def _leave(self) -> None:
        frame = self._frames.pop()
        if frame.told:
            self._event(Way.LEAVE, frame.function)

    def _event(self, way: Way, function: int) -> None:
        machine, memory = self._guest.machine, self._guest.memory
        held = [region for region in self._before.memory if region.writable]
        pages = {
            page: memory.read(page, PAGE)
            for page in sorted({_seen(address, held) for address in self._dirty})
            if any(region.address <= page < region.end for region in held)
        }
        self._dirty.clear()
        event = Event(
            way,
            function,
            machine.get_state(),
            self._stale(),
            pages,
            self._loose,
            self._guest.outside_count,
            self._steps,
        )
        self._events.append(event)
        self._trail.append(event)

    def _find_live(self) -> None:
        """Goes back over the run and says at each event which registers the rest of it reads before it writes them."""
        live: set[Loc] = {("gpr", n) for n in (*self._abi.result_gprs, *self._abi.preserved_gprs)}
        live |= {("fpr", n) for n in (*self._abi.result_fprs, *self._abi.preserved_fprs)} | {("fcsr", 0)}
        for one in reversed(self._trail):
            if isinstance(one, Event):
                one.live = frozenset(live) - _UNTOLD
            else:
                reads, writes = one
                live.difference_update(writes)
                live.update(loc for loc in reads if loc[0] != "mem")

    def _gpr(self, number: int) -> int:
        return zext64(self._guest.machine.slots[number])


def _seen(page: int, held: list[Region]) -> int:
    """A page as the state has it, which may be in the other one of the two views of memory."""
    other = page & ~0x2000_0000
    return page if any(region.address <= page < region.end for region in held) else other
