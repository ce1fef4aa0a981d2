"""The failing states of a case and passing ones near them, each run on all legs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace

from harness.check_function import Clock, run_references, state_draws
from harness.compare import AGREE, Judgement, LegOutcome, Result, candidate_matters, judge_candidate
from harness.engines.base import MachineState, StopKind
from harness.engines.replay import Step
from harness.explain.neighbours import neighbours
from harness.replaying import Opened
from harness.states.source import ShapedStates

#: Guest instructions in a state from which the whole function is looked at, and in all of them.
_LONGEST, _MOST_STEPS = 50_000, 400_000
#: States in which the C may hang: each costs the time that a call may take.
_MOST_HANGS = 3


@dataclass(frozen=True, slots=True)
class Judged:
    """A state that counts, with what the legs made of it: the references' outcomes first.

    ``before`` has the effects of isolated callees.
    """

    before: MachineState
    outcomes: tuple[LegOutcome, ...]
    judgement: Judgement


@dataclass(slots=True)
class States:
    """States that fail, the case's own first, and states that pass.

    The first ones are near the case; ``farther`` are failing ones that are not.
    """

    failing: list[Judged] = field(default_factory=list)
    passing: list[Judged] = field(default_factory=list)
    farther: list[Judged] = field(default_factory=list)


def judged(opened: Opened, before: MachineState) -> Judged:
    """Runs one state on the legs of a case."""
    job, clock = opened.job, Clock()
    references, decided = run_references(job, before, clock)
    effects = references[0][1].effects
    whole = replace(before, effects=effects) if effects else before
    if opened.candidate is None or not candidate_matters(decided, references[0][1]):
        return Judged(whole, tuple(references), decided or AGREE)
    engine = opened.candidate.engine
    candidate = engine.name, engine.run(whole, job.fuel)
    judgement = judge_candidate(before, references, decided, candidate, job.rules)
    return Judged(whole, (*references, candidate), judgement)


def states_near(opened: Opened, first: Judged, steps: Sequence[Step], tries: int, most: int) -> States:
    """States near the case's own: at most ``most`` of each kind out of ``tries``."""
    found = States([first])
    failing, found.passing = _sorted(_all_judged(opened, neighbours(opened.before, steps, tries, opened.case.seed)))
    found.failing += _varied(failing, [first])[: most - 1]
    del found.passing[most:]
    return found


def look_farther(opened: Opened, found: States, tries: int, most: int) -> None:
    """Adds states from all over the function, as a check draws them: another fault may show there alone.

    Failing ones in which the C goes wrong in another way than near the case come first; of passing ones there are at
    most ``most`` in all.
    """
    search = opened.bench.search(opened.function)
    source = ShapedStates(search.shape, search)
    drawn = source.at_random(tries, opened.case.seed)
    job = replace(opened.job, fuel=min(opened.job.fuel, _LONGEST))
    states = _as_drawn(drawn, opened)
    judged_ones: list[Judged] = []
    steps = 0
    for one in _all_judged(replace(opened, job=job), states):
        outcome = one.outcomes[0][1]
        compared = one.judgement.result in (Result.AGREE, Result.DIFFER)
        source.judged(one.before, "" if compared else one.judgement.reason, outcome)
        judged_ones.append(one)
        steps += outcome.steps or 0
        if steps > _MOST_STEPS:
            break
    failing, passing = _sorted(judged_ones)
    found.farther += _varied(failing, found.failing)
    found.passing += passing[: max(0, most - len(found.passing))]


def _as_drawn(states: Iterable[MachineState], opened: Opened) -> Iterator[MachineState]:
    """States with numbers of their own for what the world outside answers."""
    for number, before in enumerate(states):
        outside = opened.job.target.outside is not None
        yield replace(before, draws=state_draws(opened.case.seed, number)) if outside else before


def _all_judged(opened: Opened, states: Iterable[MachineState]) -> Iterator[Judged]:
    hangs = 0
    for before in states:
        one = judged(opened, before)
        yield one
        hangs += one.outcomes[-1][1].stop is StopKind.HANG
        if hangs >= _MOST_HANGS:
            return


def _sorted(states: Iterable[Judged]) -> tuple[list[Judged], list[Judged]]:
    """The failing ones and the passing ones."""
    kinds: dict[Result, list[Judged]] = {Result.DIFFER: [], Result.AGREE: []}
    for one in states:
        kinds.get(one.judgement.result, []).append(one)
    return kinds[Result.DIFFER], kinds[Result.AGREE]


def _varied(states: Sequence[Judged], known: Iterable[Judged]) -> list[Judged]:
    """States in another order: those first that differ in a place or way of their own, which may be another fault's."""
    seen = {_way(one) for one in known}
    fresh: list[Judged] = []
    rest: list[Judged] = []
    for one in states:
        (rest if _way(one) in seen else fresh).append(one)
        seen.add(_way(one))
    return fresh + rest


def _way(one: Judged) -> tuple[object, ...]:
    """Where a state differs, in how many places, and the branch directions that it goes in the reference."""
    difference, coverage = one.judgement.difference, one.outcomes[0][1].coverage
    place = (difference.where, difference.others) if difference is not None else ()
    return *place, coverage.edges if coverage is not None else None
