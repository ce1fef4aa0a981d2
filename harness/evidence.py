"""What a check over all opcodes says, as plain frozen data: made by ``opcodes``, read by ``report``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.results import CheckResult, FunctionResult


class OpcodeVerdict(StrEnum):
    """What is said of one opcode."""

    NO_DIFFERENCE = "no difference"
    DIFFERS = "differs"
    REFUSED = "refused"  # the translation has no function for its probes
    UNTESTED = "untested"  # nothing was compared
    FAULT = "fault of the harness"


@dataclass(frozen=True, slots=True)
class PlantedFaults:
    """Faults planted in the lowering of an opcode, and how many of them were found."""

    planted: int
    found: int


@dataclass(frozen=True, slots=True)
class OpcodeEvidence:
    """One line of the ledger: an opcode, or an idiom of several.

    Units: ``probes``, ``states`` compared and bins are counts. ``excused`` are bins that no state can be counted in,
    by the reason that their states were discarded under; ``missed`` the names of bins that none was tried in.
    ``opcodes`` are more than one for an idiom. ``differing`` are the results of the probes that differ.
    """

    name: str
    opcodes: tuple[str, ...]
    verdict: OpcodeVerdict
    reason: str
    probes: int
    forms: tuple[str, ...]
    roles: tuple[str, ...]
    states: int
    bins: int
    hit: int
    excused: tuple[tuple[str, int], ...]
    missed: tuple[str, ...]
    source: str
    differing: tuple[FunctionResult, ...] = ()
    faults: PlantedFaults | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """The ledger of one build under one compiler."""

    build: str
    compiler: str
    lines: tuple[OpcodeEvidence, ...]

    @property
    def bins(self) -> int:
        """Bins of all opcodes."""
        return sum(line.bins for line in self.lines)

    @property
    def hit(self) -> int:
        """Bins with a compared state."""
        return sum(line.hit for line in self.lines)

    @property
    def excused(self) -> int:
        """Bins that have a reason why no state counts in them."""
        return sum(count for line in self.lines for _, count in line.excused)

    @property
    def missed(self) -> int:
        """Bins without state and without reason."""
        return sum(len(line.missed) for line in self.lines)

    def count(self, verdict: OpcodeVerdict) -> int:
        """Opcodes and idioms with ``verdict``."""
        return sum(line.verdict is verdict for line in self.lines)


@dataclass(frozen=True, slots=True)
class Ledger:
    """What was tried of every opcode, and what it says.

    ``check`` is the check that it was made of; ``unprobed`` pairs of opcode and the reason why it has no probe;
    ``manuals`` pairs of abbreviation and title.
    """

    check: CheckResult
    sections: tuple[Section, ...]
    unprobed: tuple[tuple[str, str], ...]
    manuals: tuple[tuple[str, str], ...] = ()
