"""What a bisection comes to: plain data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.results import Difference, LegInfo
from harness.verdicts import Verdict


@dataclass(frozen=True, slots=True)
class Culprit:
    """A function of the C whose own code went wrong, where everything before it had gone right.

    ``state`` is the number of the state that shows it, ``call`` that of the call in its run, both from 1; ``moment``
    says where in the function the C was found to differ. ``case`` is the path of the call cut out by itself, empty
    where it shows nothing by itself. ``partners`` are the functions without which it does not show either: they leave
    something behind that the guest does not see. ``lasting`` says that it left the host itself in another mode,
    ``repeats`` is false where a second run of the same went otherwise.
    """

    name: str
    address: int
    state: int
    call: int
    moment: str
    difference: Difference
    case: str = ""
    partners: tuple[str, ...] = ()
    lasting: bool = False
    repeats: bool = True


@dataclass(frozen=True, slots=True)
class BisectResult:
    """Which functions below an entry are to blame under one compiler.

    ``calls`` counts the calls that were followed in the reference over all states, ``functions`` are the names of those
    that were called, ``runs`` counts the runs of the C. ``unseen`` are functions whose calls cannot be told in the C,
    and ``lacking`` those that it lacks and the reference ran. The verdict is AGREE where no state differs; ``reason``
    says why nothing could be told, or what is left unexplained.
    """

    entry: str
    build: str
    compiler: str
    verdict: Verdict
    reason: str
    states: int
    calls: int
    functions: tuple[str, ...]
    runs: int
    culprits: tuple[Culprit, ...]
    unseen: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    legs: tuple[LegInfo, ...] = ()
    seed: int = 0
    seconds: float = 0.0


def bisect_status(results: Sequence[BisectResult]) -> int:
    """The process exit status that stands for ``results``: 0, 1 or 3, as for a check."""
    verdicts = {result.verdict for result in results}
    if Verdict.DIFFER in verdicts:
        return 1
    return 0 if Verdict.AGREE in verdicts else 3
