"""What a check says, as plain frozen data: made by ``compare`` and ``check``, read by ``report`` and ``store``.

Everything here pickles, compares by value and holds no engine, so that a result is the same for any number of workers.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple, Self

from harness.verdicts import DifferenceKind, Miss, Verdict
from interp.optable import Loc


@dataclass(frozen=True, slots=True)
class Difference:
    """The first place where one leg left something else than the others.

    ``where`` is a register name, a guest address of 16 hex digits, the word ``stop``, or what an event went to: the
    name of a function or the address of a device register. ``values`` are pairs of leg and text in the order of the
    legs: hex digits of equal width for registers and memory bytes, words for a stop or an event. ``events`` are all
    events of each leg where one of them differs, and ``number`` is its place among them, from 1.
    ``others`` counts the further registers and memory bytes in scope that differ. ``words`` gives, for memory, the
    aligned 4 bytes round the byte. ``loc`` is None where no place holds the difference (a crash).
    """

    kind: DifferenceKind
    where: str
    values: tuple[tuple[str, str], ...]
    others: int = 0
    words: tuple[tuple[str, str], ...] = ()
    loc: Loc | None = None
    events: tuple[tuple[str, tuple[str, ...]], ...] = ()
    number: int = 0

    def same_kind(self, other: Self | None) -> bool:
        """Whether ``other`` shows the same fault as far as can be told: kind, and the register if it is one."""
        if other is None or other.kind is not self.kind:
            return False
        return self.kind is DifferenceKind.MEMORY or other.where == self.where


@dataclass(frozen=True, slots=True)
class Writer:
    """The guest instruction that wrote a place last, by the reference's traced replay."""

    address: int
    text: str


@dataclass(frozen=True, slots=True)
class InputPart:
    """One part of a shrunk input that is not what every call starts from; ``value`` is text ready to print."""

    where: str
    value: str


@dataclass(frozen=True, slots=True)
class Missed:
    """A branch direction that no counted state went, and why."""

    address: int
    taken: bool
    why: Miss


@dataclass(frozen=True, slots=True)
class Finding:
    """A difference with what is needed to see it again.

    ``words`` is the number of non-default words of the shrunk input, ``case`` the path of the saved file.
    """

    difference: Difference
    writer: Writer | None
    inputs: tuple[InputPart, ...]
    words: int
    case: str


class Bin(NamedTuple):
    """One thing to be tried of a function: how many compared states did, and why none did where none could."""

    name: str
    hits: int
    reason: str


@dataclass(frozen=True, slots=True)
class FunctionResult:
    """The verdict on one function of one build under one compiler.

    Units: ``size`` in bytes; ``states`` run, ``compared`` those that counted, ``discarded`` the rest by reason (sorted
    by reason). Coverage counts the function's own instructions and branch directions, as the reference executed them.
    ``reason`` says why a verdict is neither ``agree`` nor ``differ``; ``notes`` are remarks that change no verdict.
    ``missed`` are the branch directions that no counted state went; ``seconds`` of wall time are no part of the result.
    ``bins`` are there where the states were made to fall into named ones.
    """

    name: str
    address: int
    size: int
    verdict: Verdict
    reason: str = ""
    build: str = ""
    compiler: str = ""
    states: int = 0
    compared: int = 0
    discarded: tuple[tuple[str, int], ...] = ()
    instructions_reached: int = 0
    instructions_total: int = 0
    branches_reached: int = 0
    branches_total: int = 0
    finding: Finding | None = None
    notes: tuple[str, ...] = ()
    missed: tuple[Missed, ...] = ()
    seconds: float = field(default=0.0, compare=False)
    bins: tuple[Bin, ...] = ()


@dataclass(frozen=True, slots=True)
class LegInfo:
    """Name and version of one leg, as its engine gives them."""

    name: str
    version: str


@dataclass(frozen=True, slots=True)
class CheckResult:
    """Everything one ``check`` found.

    Units: ``seconds`` of wall time; ``timing`` pairs of phase and seconds summed over the workers. ``functions`` keep
    the order of the builds, then of the addresses, then of the compilers, whatever order they were finished in;
    ``unfinished`` counts the functions that Ctrl-C left out.
    """

    seed: int
    scope: str
    legs: tuple[LegInfo, ...]
    functions: tuple[FunctionResult, ...]
    seconds: float
    timing: tuple[tuple[str, float], ...] = ()
    interrupted: bool = False
    unfinished: int = 0

    def count(self, verdict: Verdict) -> int:
        """Number of functions with ``verdict``."""
        return sum(f.verdict is verdict for f in self.functions)

    @property
    def states(self) -> int:
        """States run over all functions."""
        return sum(f.states for f in self.functions)

    @property
    def compared(self) -> int:
        """States compared over all functions."""
        return sum(f.compared for f in self.functions)

    @property
    def discarded(self) -> tuple[tuple[str, int], ...]:
        """States that did not count, by reason, summed over all functions."""
        total: dict[str, int] = {}
        for function in self.functions:
            for reason, count in function.discarded:
                total[reason] = total.get(reason, 0) + count
        return tuple(sorted(total.items()))


def exit_status(result: CheckResult) -> int:
    """The process exit status that stands for ``result``.

    0 all compared functions agree; 1 at least one differs; 3 nothing was compared, or only inconclusive; 4 a fault of
    the harness. A difference outranks a fault of the harness elsewhere: it is evidence already. An interrupted check
    without a difference has not compared all it should, which is a 3.
    """
    if result.count(Verdict.DIFFER):
        return 1
    if result.count(Verdict.HARNESS_ERROR):
        return 4
    return 0 if result.count(Verdict.AGREE) and not result.interrupted else 3


@dataclass(frozen=True, slots=True)
class ShapeNode:
    """One word that a function reads, or ``count`` like ones side by side; ``fields`` are those of its object."""

    place: str
    what: str
    count: int = 1
    fields: tuple[ShapeNode, ...] = ()


@dataclass(frozen=True, slots=True)
class SurveyedFunction:
    """What a survey says of one function.

    Units: ``size`` in bytes. ``not_translated`` says why the C does not have it, empty where it does. ``callees`` are
    called or jumped to by address. Where it was asked for, ``shape`` is what it reads, as text, and ``inputs`` the same
    as a tree; ``reach`` is what states in that shape came to in the references, ``saved`` the file that keeps all this.
    """

    name: str
    address: int
    size: int
    not_translated: str
    callees: tuple[str, ...]
    indirect_calls: int
    shape: str = ""
    inputs: tuple[ShapeNode, ...] = ()
    remarks: tuple[str, ...] = ()
    reach: FunctionResult | None = None
    saved: str = ""


@dataclass(frozen=True, slots=True)
class SurveyedBuild:
    """What a survey says of one build.

    Units: ``regions`` as (address, bytes, writable, name). ``externals`` are called by the C and defined by no source.
    """

    name: str
    image: str
    abi: str
    fr: bool
    gp: int
    regions: tuple[tuple[int, int, bool, str], ...]
    functions: tuple[SurveyedFunction, ...]
    externals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SelftestLine:
    """One thing that the self-test looked at; ``good`` is false where a check could not be trusted."""

    what: str
    text: str
    good: bool


@dataclass(frozen=True, slots=True)
class KnownDifference:
    """One known difference between a leg and the manuals, and whether it was seen here.

    ``known`` is what its probe saw on version ``measured``, ``right`` what it would see without it, ``seen`` what it
    sees here; ``state`` is ``there``, ``gone``, or ``unknown`` where it is neither.
    """

    id: str
    group: str
    rows: str
    when: str
    does: str
    manual: str
    source: str
    remedy: str
    measured: str
    known: str
    right: str
    seen: str
    state: str


@dataclass(frozen=True, slots=True)
class Selftest:
    """Why the references may be believed: what was looked at, and every known difference.

    ``sources`` are the manuals as (abbreviation, title).
    """

    lines: tuple[SelftestLine, ...]
    differences: tuple[KnownDifference, ...]
    sources: tuple[tuple[str, str], ...]

    @property
    def good(self) -> bool:
        """Whether a check can be trusted."""
        return all(line.good for line in self.lines)
