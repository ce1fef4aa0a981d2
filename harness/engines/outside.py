"""What lies outside of the code under test, and what a run did to it: plain data that all legs share.

A *boundary* is a guest address where control leaves the code under test: an external, or a callee that is isolated. A
*window* is a range of addresses where a device answers. Crossing either is an *event*: every leg must have the same
events in the same order.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from harness.abi import GPR_NAMES, Abi
from harness.config.outside import SPAN
from interp.optable import Loc

#: The two views of physical memory that need no TLB differ in these bits only.
_PHYSICAL = 0x1FFF_FFFF


class EventKind(StrEnum):
    """What a run did to the world outside."""

    CALL = "call"
    READ = "read"
    WRITE = "write"


@dataclass(frozen=True, slots=True)
class OutsideEvent:
    """One thing that a run did to the world outside.

    ``where`` is the name of the function called, or the guest address of a device register in 16 hex digits;
    ``values`` are what every leg must have given: pairs of a place and hex digits, None where a leg cannot see the
    place. ``answer`` is what was drawn for it, for people.
    """

    kind: EventKind
    where: str
    values: tuple[tuple[str, str | None], ...]
    answer: str = ""

    def matches(self, other: OutsideEvent) -> bool:
        """Whether two legs did the same here, as far as both can be seen."""
        if (self.kind, self.where, len(self.values)) != (other.kind, other.where, len(other.values)):
            return False
        pairs = zip(self.values, other.values, strict=True)
        return all(a == b or (a[0] == b[0] and None in (a[1], b[1])) for a, b in pairs)

    def __str__(self) -> str:
        """The event on one line: ``port_send(a0=00000001, a1[a2]=6869) gives v0=00000000``."""
        values = {place: value or "not observed" for place, value in self.values}
        if self.kind is EventKind.READ:
            return f"read {values['bytes']} bytes at {self.where} gives {self.answer}"
        if self.kind is EventKind.WRITE:
            return f"write {values['bytes']} bytes at {self.where}: {values['value']}"
        shown = ", ".join(f"{place}={value}" for place, value in values.items())
        return f"{self.where}({shown})" + (f" gives {self.answer}" if self.answer else "")


@dataclass(frozen=True, slots=True)
class Slot:
    """Where an argument lies: ``room`` is gpr, single, double, or stack with a distance from sp in bytes."""

    room: str
    number: int
    name: str

    @classmethod
    def of(cls, text: str) -> Slot:
        """The slot that ``[[external]]`` writes so."""
        if text in GPR_NAMES:
            return cls("gpr", GPR_NAMES.index(text), text)
        if text.startswith("sp+"):
            return cls("stack", int(text[3:], 0), text)
        return cls("single" if text[0] == "f" else "double", int(text[1:]), text)


@dataclass(frozen=True, slots=True)
class Span:
    """A run of guest memory from where ``pointer`` points: ``size`` bytes, times ``count`` where there is one.

    With ``text`` it goes up to a zero byte.
    """

    pointer: Slot
    name: str
    size: int = 1
    count: Slot | None = None
    text: bool = False

    @classmethod
    def of(cls, text: str) -> Span:
        """The span that ``[[external]]`` writes so."""
        found = SPAN.fullmatch(text)
        assert found is not None  # the loader has looked
        count = Slot.of(found["count"]) if found["count"] else None
        size = int(found["size"] or found["unit"] or 1)
        return cls(Slot.of(found["pointer"]), text, size, count, text=found["text"] is not None)


@dataclass(frozen=True, slots=True)
class Boundary:
    """A function outside of the code under test, at a guest ``address``.

    ``result`` says how to draw what it gives (``harness.config.outside.RESULTS``, the name of a register, or values to
    choose from). One that is ``isolated`` does what the guest's own function does in the reference instead; one that is
    not ``declared`` is outside only because the C lacks it. ``segment`` is the one that it is loaded with.
    """

    name: str
    address: int
    arguments: tuple[Slot, ...] = ()
    reads: tuple[Span, ...] = ()
    writes: tuple[Span, ...] = ()
    result: str | tuple[int, ...] = "integer"
    isolated: bool = False
    declared: bool = True
    segment: str = ""


@dataclass(frozen=True, slots=True)
class DeviceWindow:
    """A range of guest addresses where a device answers; ``width`` and ``values`` as in ``[[window]]``."""

    name: str
    address: int
    size: int
    width: int = 4
    values: tuple[int, ...] = ()

    @property
    def end(self) -> int:
        """First address after the window."""
        return self.address + self.size

    def offset(self, address: int) -> int | None:
        """The distance of a guest address in kseg0 or kseg1 from the window's first one; None where it is outside."""
        if not 0xFFFF_FFFF_8000_0000 <= address < 0xFFFF_FFFF_C000_0000:
            return None
        distance = (address & _PHYSICAL) - (self.address & _PHYSICAL)
        return distance if 0 <= distance < self.size else None


@dataclass(frozen=True, eq=False)
class Outside:
    """Everything outside of one function under test; boundaries by guest address. Two are equal if they are one."""

    abi: Abi
    boundaries: Mapping[int, Boundary]
    windows: tuple[DeviceWindow, ...] = ()

    @cached_property
    def undeclared(self) -> frozenset[str]:
        """The names of the functions that are outside only because the C lacks them."""
        return frozenset(one.name for one in self.boundaries.values() if not one.declared)

    def window_at(self, address: int) -> DeviceWindow | None:
        """The window that holds a guest address."""
        return next((window for window in self.windows if window.offset(address) is not None), None)


@dataclass(frozen=True, slots=True)
class Effect:
    """What one call of an isolated callee came to in the reference.

    ``reads`` are the argument registers that it read before it wrote them, ``looks`` the runs of memory, as (address,
    size); ``registers`` and ``memory`` what it left, as (register, value) and (address, bytes).
    """

    where: str
    reads: tuple[Loc, ...]
    looks: tuple[tuple[int, int], ...]
    registers: tuple[tuple[Loc, int], ...]
    memory: tuple[tuple[int, bytes], ...]
