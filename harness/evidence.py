"""What is said of opcodes, and of the check itself, as plain frozen data: made by ``opcodes``, read by ``report``."""

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


class Fate(StrEnum):
    """What became of one mutant."""

    NOTICED = "noticed"
    SURVIVED = "survived"
    EQUIVALENT = "equivalent"  # the compiler makes the same machine code of it
    NOT_COMPILED = "not compiled"


@dataclass(frozen=True, slots=True)
class MutantScore:
    """One mutant of a translated function: a small change of its C, and what a check says of it.

    Units: ``line`` counts from 1, in the file as it stands; ``states`` were run until it was noticed. ``before`` and
    ``after`` are the lines that it changes, ``difference`` is the kind of what was noticed. ``reached`` says of a
    survivor whether any state that counts comes to the changed statement; None where that is not known.
    """

    file: str
    line: int
    change: str
    before: str
    after: str
    fate: Fate
    difference: str = ""
    states: int = 0
    reached: bool | None = None


@dataclass(frozen=True, slots=True)
class FunctionScore:
    """The mutants of one function of one build under one compiler.

    Units: ``states`` that each mutant gets until it is noticed, ``compared`` those that count. ``unscored`` says why
    there are no mutants; ``fault`` that the harness is to blame for it.
    """

    name: str
    address: int
    build: str
    compiler: str
    mutants: tuple[MutantScore, ...] = ()
    states: int = 0
    compared: int = 0
    unscored: str = ""
    fault: bool = False

    def count(self, fate: Fate) -> int:
        """Mutants with this fate."""
        return sum(one.fate is fate for one in self.mutants)

    @property
    def counted(self) -> int:
        """Mutants that a check could notice."""
        return self.count(Fate.NOTICED) + self.count(Fate.SURVIVED)


@dataclass(frozen=True, slots=True)
class Score:
    """How many small changes of the translated C a check with these settings notices.

    Units: ``seconds`` of wall time; ``unfinished`` counts the functions that Ctrl-C left out.
    """

    seed: int
    functions: tuple[FunctionScore, ...]
    seconds: float
    interrupted: bool = False
    unfinished: int = 0

    def count(self, fate: Fate) -> int:
        """Mutants with this fate."""
        return sum(one.count(fate) for one in self.functions)

    @property
    def counted(self) -> int:
        """Mutants that a check could notice."""
        return sum(one.counted for one in self.functions)

    @property
    def mutants(self) -> int:
        """All mutants."""
        return sum(len(one.mutants) for one in self.functions)


def score_status(score: Score) -> int:
    """The process exit status that stands for ``score``: 4 after a fault of the harness, 3 where no mutant counted."""
    if any(one.fault for one in score.functions):
        return 4
    return 0 if score.counted else 3
