"""What every leg speaks: the neutral state, the outcome of a run, and the ``Engine`` protocol.

Words: an *address* is an unsigned 64-bit guest virtual address (``0xffffffff80001000``, never ``0x80001000``); a
register value is an unsigned integer; memory is bytes in guest (big-endian) order. Types of Unicorn, cffi or the
interpreter never leave their own engine.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol, cast

from harness.engines.outside import Effect, Outside, OutsideEvent
from harness.errors import HarnessError

#: Page size in bytes of every guest region; addresses and sizes of regions are multiples of it.
PAGE = 0x1000

#: Where ``ra`` points when the harness calls a function: an executable page of its own that no region may cover.
RETURN_ADDRESS = 0xFFFF_FFFF_8FFF_F000

#: A page of loops on the spot (`beq zero, zero, .`; `nop`), for where control should never run on.
STAY = bytes.fromhex("1000ffff 00000000") * (PAGE // 8)


@dataclass(frozen=True, slots=True)
class Region:
    """A run of guest memory.

    Units: ``address`` is a page-aligned guest address; ``data`` whole pages of bytes, big-endian as the guest sees
    them. Regions that a run cannot change are shared by identity between states, so ``is`` is a cheap first test.
    """

    address: int
    data: bytes
    writable: bool
    name: str = ""

    @property
    def end(self) -> int:
        """First address after the region."""
        return self.address + len(self.data)


@dataclass(frozen=True, slots=True)
class MachineState:
    """Registers and memory before or after a call.

    Widths: ``gpr`` 32 x 64 bits, ``hi`` and ``lo`` 64, ``fcsr`` 32; ``fpr`` holds the 32 floating-point general
    registers as the hardware has them: 64 bits each with ``fr`` set, 32 bits each without (a double is then the pair
    ``fpr[n + 1] : fpr[n]``, high word first). What a leg cannot observe is ``None``, never 0; a state *before* a
    call has no ``None``. ``memory`` ascends by address and does not overlap. ``draws`` is the number that everything
    outside of the program draws its answers from, 0 for answers of nothing but zeros; ``effects`` are what isolated
    callees do, in the order of their calls, where the reference has found that out.
    """

    pc: int | None
    gpr: tuple[int | None, ...]
    hi: int | None
    lo: int | None
    fpr: tuple[int | None, ...]
    fcsr: int | None
    fr: bool
    memory: tuple[Region, ...]
    draws: int = 0
    effects: tuple[Effect, ...] = ()


@dataclass(frozen=True, slots=True)
class InitialRegisters:
    """The registers of a state before a call, every one with a value; widths as in ``MachineState``."""

    gpr: tuple[int, ...]
    hi: int
    lo: int
    fpr: tuple[int, ...]
    fcsr: int

    @classmethod
    def of(cls, state: MachineState) -> InitialRegisters:
        """Takes them from a state.

        Errors: ``HarnessError`` where one has no value.
        """
        special = (state.hi, state.lo, state.fcsr)
        if None in state.gpr or None in state.fpr or None in special:
            raise HarnessError("state before a call", "has a register without a value")
        hi, lo, fcsr = cast(tuple[int, int, int], special)
        return cls(cast(tuple[int, ...], state.gpr), hi, lo, cast(tuple[int, ...], state.fpr), fcsr)


class StopKind(StrEnum):
    """How a run ended."""

    RETURNED = "returned"
    TRAP = "trap"  # the guest raised an exception of the processor
    FUEL = "fuel"  # the instruction budget is used up
    CRASH = "crash"  # the translated C died of a host signal
    HANG = "hang"  # the translated C did not come back in time
    WILD = "wild"  # the translated C touched host memory outside the guest's regions
    EXTERNAL = "external"  # a function was called that nobody defines, and that stands for none of the guest
    UNSUPPORTED = "unsupported"  # this leg cannot run this code; the detail says why


@dataclass(frozen=True, slots=True)
class GuestEvent:
    """Something the processor manual leaves open, met at ``address``; ``kind`` is an id of ``interp.events``."""

    kind: str
    address: int


@dataclass(frozen=True, slots=True)
class Coverage:
    """What one run reached, in guest addresses.

    ``instructions`` are the addresses executed; ``edges`` the branch directions, as (address of the branch, taken).
    """

    instructions: frozenset[int]
    edges: frozenset[tuple[int, bool]]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one leg did with one state.

    ``trap`` is the name of the guest exception (``overflow``, ``address-error-load``, ...; ``interp.events`` lists
    them) and empty unless ``stop`` is TRAP. ``fault_address`` is the guest address that a bad access went to and
    ``at`` the address of the instruction that stopped the run; each is None where the leg does not know. ``detail``
    is for people only and never compared. ``after`` is None where nothing can be observed (a crash). ``open_halves``
    are the FPRs of ``after`` whose upper half the manual leaves open (with FR set, after a 32-bit write), where the
    leg knows; ``steps`` counts instructions. ``outside`` is what the run did to the world outside of the program, in
    order, and ``effects`` what isolated callees did in this run, where the leg ran them; ``in_callee`` says that one of
    them did not return, so that no other leg can follow. ``astray`` says that a jump through a register led into the
    middle of a function, where C has no place for it.
    """

    stop: StopKind
    after: MachineState | None
    trap: str = ""
    fault_address: int | None = None
    at: int | None = None
    detail: str = ""
    events: tuple[GuestEvent, ...] = ()
    coverage: Coverage | None = None
    steps: int | None = None
    open_halves: frozenset[int] = frozenset()
    outside: tuple[OutsideEvent, ...] = ()
    effects: tuple[Effect, ...] = ()
    in_callee: bool = False
    astray: bool = False


@dataclass(frozen=True, slots=True)
class Target:
    """One guest function as an engine loads it.

    ``name`` is also the name of the translated C function before the binding's pattern is applied; ``code`` are the
    executable regions of the program (all of it: callees run for real unless they are outside). ``outside`` is what
    lies beyond the program, None where nothing does.
    """

    name: str
    entry: int
    size: int
    code: tuple[Region, ...]
    fr: bool
    functions: dict[int, str] = field(default_factory=dict, hash=False, compare=False)
    outside: Outside | None = None


def boundary_pages(outside: Outside | None, code: tuple[Region, ...]) -> tuple[Region, ...]:
    """The pages of boundaries that no code covers: on every leg read-only memory with the same bytes.

    Unicorn must have something there to stop at, and what it can run it can read.
    """
    addresses = outside.boundaries if outside is not None else ()
    pages = sorted({address & -PAGE for address in addresses})
    return tuple(
        Region(page, STAY, writable=False, name="outside")
        for page in pages
        if not any(region.address <= page < region.end for region in code)
    )


class Engine(Protocol):
    """One leg.

    A guest event or a crash of the C is an ``Outcome``; an exception out of ``run`` is a ``HarnessError``, never a
    finding. ``load`` may be called again for another target; ``run`` must not leak anything from one call to the
    next.
    """

    name: str
    version: str

    def load(self, target: Target) -> None:
        """Makes ``target`` the function that ``run`` calls."""

    def run(self, before: MachineState, fuel: int) -> Outcome:
        """Calls the loaded function from ``before`` and reports what it did.

        Units: ``fuel`` in guest instructions, at least 1; a leg that cannot count them uses its own time limit.
        """

    def close(self) -> None:
        """Frees what the engine holds; it cannot be used afterwards."""
