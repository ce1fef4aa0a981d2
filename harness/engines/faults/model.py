"""What a known fault of Unicorn is, as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

#: The manuals that entries name.
SOURCES: dict[str, str] = {
    "R4K": "MIPS R4000 Microprocessor User's Manual, 2nd ed., 1994",
    "V5K": "NEC VR5000/VR5000A User's Manual, U11761EJ6V0UM, 2001",
    "V41": "NEC uPD98502 User's Manual, S15543EJ1V0UM, App. A, MIPS III instruction set",
    "M64": "MIPS64 Architecture For Programmers, vol. II-A, rev. 6.06",
    "UC": "a promise of Unicorn's own interface, or of any engine; no manual of the chip",
}

#: Remedies that many entries share.
OPEN = "open in the manual: noted by the reference, the state does not count"
SOFTWARE = "the reference traps for software: the state does not count"
STOPS = "the leg stops before it"
NONE = "none: the references disagree, the state does not count"


class Group(StrEnum):
    """What a fault is about."""

    INTEGER = "integer and memory"
    OPCODES = "opcodes run or refused"
    FLOATS = "floating point"
    RUNS = "runs of the engine"


@dataclass(frozen=True, slots=True)
class Probe:
    """A few instructions that show a fault: both references can run them.

    ``listing`` is ``word text`` for each instruction, separated by semicolons; a return follows by itself. Registers
    are 0 but for those ``before``; ``sees`` names what is looked at afterwards. ``model`` is Unicorn's.
    """

    listing: str
    before: Mapping[str, int] = field(default_factory=dict)
    sees: tuple[str, ...] = ("v0",)
    fr: bool = True
    model: str = "R4000"

    @property
    def words(self) -> tuple[int, ...]:
        """The words of the listing."""
        return tuple(int(line[:8], 16) for line in self.listing.split("; "))


@dataclass(frozen=True, slots=True)
class Fault:
    """A known difference between Unicorn and the processor manual, or what is expected of an engine.

    ``rows`` names the instructions concerned, ``when`` the condition. ``known`` is what the probe saw on the version in
    ``measured``, ``right`` what it would see without the fault, which is what the reference does: registers in hex, a
    trap, or words. ``also`` are further faces of the same fault. ``probe`` is None where it takes more than guest code;
    ``unicorn_runs`` then holds it under the same id.

    An entry and its remedy can go when every version that may be installed shows ``right``.
    """

    id: str
    group: Group
    rows: str
    when: str
    unicorn: str
    manual: str
    source: str
    remedy: str
    known: str
    right: str
    probe: Probe | None = None
    also: tuple[str, ...] = ()
    measured: str = "2.1.4"
