"""The failing states of a case and passing ones near them, each run on all legs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from harness.check_function import Clock, run_references
from harness.compare import AGREE, Judgement, LegOutcome, Result, candidate_matters, judge_candidate
from harness.engines.base import MachineState
from harness.engines.replay import Step
from harness.explain.neighbours import neighbours
from harness.replaying import Opened


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
    """States that fail as the case does, the case's own first, and states that pass."""

    failing: list[Judged] = field(default_factory=list)
    passing: list[Judged] = field(default_factory=list)


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
    for before in neighbours(opened.before, steps, tries, opened.case.seed):
        one = judged(opened, before)
        if one.judgement.result is Result.DIFFER:
            found.failing.append(one)
        elif one.judgement.result is Result.AGREE:
            found.passing.append(one)
    found.failing[1:] = _varied(found.failing[1:], first)[: most - 1]
    del found.passing[most:]
    return found


def _varied(states: Sequence[Judged], first: Judged) -> list[Judged]:
    """States in another order: those first that differ in a place or way of their own, which may be another fault's."""
    seen = {_way(first)}
    fresh: list[Judged] = []
    rest: list[Judged] = []
    for one in states:
        (rest if _way(one) in seen else fresh).append(one)
        seen.add(_way(one))
    return fresh + rest


def _way(one: Judged) -> tuple[str, int]:
    difference = one.judgement.difference
    return (difference.where, difference.others) if difference is not None else ("", 0)
