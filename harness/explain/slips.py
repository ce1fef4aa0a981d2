"""What lockstep finds: wrong steps, and what it cannot see."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from harness.engines.base import RETURN_ADDRESS, Outcome
from harness.engines.replay import Step
from interp.optable import Loc

#: What each place should hold, and what the C has there.
Wrong = dict[Loc, tuple[int, int]]


@dataclass(slots=True)
class Slip:
    """A step from one tie to the next in which the C did something else than the reference.

    ``at`` is where it should have come to, or the C did; ``steps`` are the instructions that the reference executed.
    ``wrong`` gives what each place should hold and what the C has there; ``went`` where the C should have come to and
    where it did, if that is it. ``ended`` says how the C stopped where it did not come to a tie at all; ``last`` is the
    address of the last tie that it had come to. ``unchanged`` are the places, wrong or written by the reference, that
    hold what they held before the step. ``carried`` says that the C worked on with what was wrong: a later step that
    read it came out as the reference has it.
    """

    number: int  # of the sighting in its run
    at: int
    steps: tuple[Step, ...]
    wrong: Wrong
    went: tuple[int, int] | None = None
    ended: str = ""
    unchanged: frozenset[Loc] = frozenset()
    last: int = -1
    carried: bool = False


#: Stands for all memory of the stack below its pointer at entry.
STACK: Loc = ("stack", 0)


@dataclass(slots=True)
class Blind:
    """What is not compared: ``places`` (registers, and ``STACK``), and ties that the C does not come to.

    ``kept`` are the registers that a caller may rely on: at the return only they are compared.
    """

    kept: frozenset[Loc]
    places: set[Loc] = field(default_factory=set)
    passed_over: set[int] = field(default_factory=set)

    @property
    def size(self) -> int:
        """How much is not compared."""
        return len(self.places) + len(self.passed_over)

    def hides(self, loc: Loc, at: int = 0) -> bool:
        """Whether a register is not compared at a tie."""
        return loc in self.places or (at == RETURN_ADDRESS and loc not in self.kept)


@dataclass(slots=True)
class Run:
    """What the lockstep of one state came to; ``cut`` says that there were more ties than are looked at.

    ``visits`` counts the ties compared by address, ``written`` the steps in which the reference wrote a place,
    ``wrong`` those after which it was wrong.
    """

    slips: list[Slip] = field(default_factory=list)
    sightings: int = 0
    cut: bool = False
    stopped: str = ""  # why the reference could not follow to the end
    outcome: Outcome | None = None
    visits: Counter[int] = field(default_factory=Counter)
    written: Counter[Loc] = field(default_factory=Counter)
    wrong: Counter[Loc] = field(default_factory=Counter)
