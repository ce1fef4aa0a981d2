"""What an explanation says, as plain frozen data: made by this room, read by ``report``."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.results import Difference, InputPart


class Method(StrEnum):
    """How a culprit was found, the surest first."""

    LOCKSTEP = "lockstep"  # the C and the reference from tie to tie
    DICTIONARY = "dictionary"  # a changed reference does what the C does
    DICE = "dice"  # what came to wrong places more than to right ones
    NONE = "none"  # there is nothing to find


class Surety(StrEnum):
    """How sure a culprit is."""

    CERTAIN = "certain"
    LIKELY = "likely"
    GUESS = "guess"


@dataclass(frozen=True, slots=True)
class Value:
    """A place before or after the culprit: what it should hold, and what the C has, as hex of equal width.

    ``actual`` is empty for an operand, which both have.
    """

    where: str
    expected: str
    actual: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the C; ``number`` counts from 1, ``marked`` is the culprit's."""

    number: int
    text: str
    marked: bool = False


@dataclass(frozen=True, slots=True)
class Source:
    """Where the C of an instruction stands, with its neighbours."""

    file: str
    line: int
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class Executed:
    """One executed instruction with what it wrote."""

    address: int
    text: str
    wrote: str
    culprit: bool = False


@dataclass(frozen=True, slots=True)
class Culprit:
    """An instruction whose C is wrong, or may be.

    ``manual`` is what the row of the table says it does. ``kind`` is the class of the fault, ``like`` what the C does
    instead, both empty where nothing fits. ``states`` of ``of`` failing ones show it. ``function`` is the guest
    function that holds it.
    """

    address: int
    text: str
    opcode: str
    form: str
    function: str
    manual: str
    operands: tuple[Value, ...]
    results: tuple[Value, ...]
    kind: str
    like: str
    source: Source | None
    states: int
    of: int
    surety: Surety


@dataclass(frozen=True, slots=True)
class Word:
    """A word of memory in a state: ``marks`` says what it is besides."""

    address: int
    value: str
    marks: str = ""


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything said of one case.

    ``how`` says in words which method named the culprits and on what grounds; ``culprits`` are several where several
    faults were found (all certain or likely), or where the method only guesses (the best first). ``notes`` say what
    was tried and did not do.
    """

    case: str
    function: str
    address: int
    build: str
    compiler: str
    verdict: str
    difference: Difference | None
    method: Method
    how: str
    culprits: tuple[Culprit, ...]
    slice: tuple[Executed, ...]
    inputs: tuple[InputPart, ...]
    registers: tuple[Value, ...]
    memory: tuple[Word, ...]
    notes: tuple[str, ...] = ()
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class Cause:
    """One root cause of several findings.

    ``what`` is the opcode, or the mistake where it is one about delay slots. ``forms``, ``kinds`` and ``sureties``
    count over the ``functions`` that differ because of it; ``simplest`` is the case with the fewest words of input.
    """

    what: str
    forms: tuple[tuple[str, int], ...]
    kinds: tuple[tuple[str, int], ...]
    sureties: tuple[tuple[str, int], ...]
    functions: tuple[str, ...]
    simplest: str


@dataclass(frozen=True, slots=True)
class Causes:
    """The findings of a check by cause, the most frequent first.

    ``unexplained`` are functions and why nothing was said of them; ``looked`` findings were explained, ``left`` were
    not.
    """

    causes: tuple[Cause, ...]
    unexplained: tuple[tuple[str, str], ...]
    looked: int
    left: int
