"""What a night over a corpus says, as plain frozen data: made by ``nightly``, kept by ``store``, told by ``report``."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field
from enum import StrEnum

from harness.results import CheckResult, Difference, FunctionResult, Writer
from harness.verdicts import DifferenceKind, Verdict

#: Numbers in the words of a stop that are another with every state: addresses, offsets, processor time.
_DRAWN = re.compile(r"[+-]?0x[0-9a-f]+|\b[0-9a-f]{8,16}\b|\b\d+\.\d+ s\b")
#: What a crashed C printed follows here.
_PRINTED = "; it printed: "


class Status(StrEnum):
    """What has become of a finding, in the order in which reports tell it."""

    NEW = "new"
    EXPIRED = "expired"
    STILL = "still"
    FLAKY = "flaky"
    KNOWN = "known"
    FIXED = "fixed"
    GONE = "gone"
    UNTRIED = "untried"


@dataclass(frozen=True, slots=True, order=True)
class Subject:
    """One function of one build of one program, under one compiler; ``function`` is a name of its own in the build."""

    program: str
    build: str
    function: str
    compiler: str

    def __str__(self) -> str:
        build = f"[{self.build}]" if self.build else ""
        under = f" under {self.compiler}" if self.compiler else ""
        return f"{self.program}::{self.function}{build}{under}"


@dataclass(frozen=True, slots=True, order=True)
class FindingKey:
    """What makes a finding the same in another night: no value, no data address, nothing else that a seed draws.

    ``place`` is a register, the instruction that wrote memory last (bytes from the function's entry), what an event
    went to, or how a stop is told without its numbers.
    """

    subject: Subject
    kind: str
    place: str

    def __str__(self) -> str:
        return f"{self.subject}: {self.kind} {self.place}".rstrip()

    def parts(self) -> dict[str, str]:
        """Its parts by the names that ``known.toml`` has for them."""
        one = self.subject
        return {
            "program": one.program,
            "build": one.build,
            "function": one.function,
            "compiler": one.compiler,
            "kind": self.kind,
            "place": self.place,
        }


def finding_key(subject: Subject, difference: Difference, writer: Writer | None, entry: int) -> FindingKey:
    """The key of a finding in the function that begins at ``entry``."""
    return FindingKey(subject, str(difference.kind), _place(difference, writer, entry))


def _place(difference: Difference, writer: Writer | None, entry: int) -> str:
    if difference.kind in (DifferenceKind.REGISTER, DifferenceKind.EVENT):
        return difference.where
    if difference.kind is DifferenceKind.MEMORY:
        return f"written at {writer.address - entry:+x}" if writer else "written by nothing"
    words = difference.values[-1][1].partition(_PRINTED)[0]
    return _DRAWN.sub("...", words.removeprefix(str(difference.kind)).removeprefix(": "))


@dataclass(frozen=True, slots=True)
class Told:
    """One finding as a night tells it.

    ``since`` is the night in which it was first seen, ``why`` what there is to say of the status, ``case`` the path of
    a file that shows it; ``result`` is the check's or replay's row where it showed tonight, None where it did not.
    """

    key: FindingKey
    status: Status
    since: datetime.date
    why: str = ""
    case: str = ""
    result: FunctionResult | None = None

    @property
    def fails(self) -> bool:
        """Whether the night fails by it: it showed, and nobody tolerates it."""
        return self.result is not None and self.status is not Status.KNOWN


@dataclass(frozen=True, slots=True)
class Gap:
    """A function of which nothing definite is said; ``accepted`` is why that will do, empty where it will not."""

    subject: Subject
    verdict: Verdict
    reason: str
    accepted: str


@dataclass(frozen=True, slots=True)
class Rerun:
    """A function that was a fault of the harness once, and what it was when it ran again."""

    subject: Subject
    first: str
    then: FunctionResult


@dataclass(frozen=True, slots=True)
class KnownEntry:
    """One entry of ``known.toml`` tonight.

    ``passed`` counts the nights at the end in which its functions were compared and it had nothing to tolerate.
    """

    about: str
    why: str
    findings: int
    passed: int
    ready: bool
    pruned: bool = False


@dataclass(frozen=True, slots=True)
class ProgramNight:
    """What the check of one program gave; ``problem`` is what the user must change before it can be checked.

    ``subjects`` are what its results are about, one for each.
    """

    name: str
    check: CheckResult | None
    problem: str = ""
    subjects: tuple[Subject, ...] = ()

    @property
    def rows(self) -> tuple[tuple[Subject, FunctionResult], ...]:
        """Its results with what they are about, in the order of the check."""
        return tuple(zip(self.subjects, self.check.functions, strict=True)) if self.check else ()


@dataclass(frozen=True, slots=True)
class Night:
    """Everything that one night says.

    ``number`` counts the nights of the history from 1, ``stored`` the saved cases that were run again; ``problems`` are
    what the user must change. ``whole`` is false where functions or programs were left out by an option.
    Units: ``seconds`` of wall time.
    """

    number: int
    date: datetime.date
    seed: int
    programs: tuple[ProgramNight, ...]
    findings: tuple[Told, ...]
    gaps: tuple[Gap, ...] = ()
    reruns: tuple[Rerun, ...] = ()
    known: tuple[KnownEntry, ...] = ()
    stored: int = 0
    problems: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    interrupted: bool = False
    whole: bool = True
    seconds: float = field(default=0.0, compare=False)

    def of(self, status: Status) -> tuple[Told, ...]:
        """The findings of one status."""
        return tuple(one for one in self.findings if one.status is status)

    @property
    def checks(self) -> tuple[CheckResult, ...]:
        """The checks of the programs that could be checked."""
        return tuple(one.check for one in self.programs if one.check is not None)

    def count(self, verdict: Verdict) -> int:
        """Number of functions with ``verdict``, over all programs."""
        return sum(check.count(verdict) for check in self.checks)

    @property
    def status(self) -> int:
        """The process exit status that stands for the night.

        0 all compared functions agree, or differ as known; 1 something differs that nobody tolerates; 4 a fault of the
        harness; 2 the user must change something; 3 nothing was compared, or the night was stopped.
        """
        if any(one.fails for one in self.findings):
            return 1
        if self.count(Verdict.HARNESS_ERROR):
            return 4
        if self.problems:
            return 2
        compared = self.count(Verdict.AGREE) or self.of(Status.KNOWN)
        return 0 if compared and not self.interrupted else 3


@dataclass(frozen=True, slots=True)
class NightRow:
    """One night of the history; ``status`` is None where it has not ended. ``told`` counts findings by status."""

    number: int
    date: datetime.date
    seed: int
    status: int | None
    functions: int
    states: int
    told: dict[Status, int]
