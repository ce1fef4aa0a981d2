"""The verb ``explain``: one saved case, and the instruction whose C is wrong.

Where lines of the C are tied to guest addresses, lockstep says what it is. A method that is not sure says so.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from harness.compare import Result
from harness.engines.replay import Step
from harness.explain.blame import Suspect
from harness.explain.calibrate import Calibration
from harness.explain.describe import culprit_of, executed, memory_words, register_values
from harness.explain.guess import guess, like_of
from harness.explain.model import Culprit, Executed, Explanation, Method, Surety
from harness.explain.slips import Run
from harness.explain.states import States, judged, look_farther, states_near
from harness.explain.tied import Tied, run_tied, undefined_at
from harness.explain.trace import traced
from harness.explain.watched import Sources
from harness.replaying import Opened, build_of, open_case
from harness.results import InputPart
from harness.store.cases import load_case, recorded_difference
from harness.verdicts import Verdict
from harness.workbench import Workbench, shown_path

#: States tried near a case, and how many failing and passing ones are looked at.
_TRIES, _MOST = 64, 12
#: States from all over the function that are tried for another fault.
_FARTHER = 100
#: Steps that agree in failing states: so many show that lockstep sees the translation, where no state passes.
_AGREEING = 10
#: Instructions that a slice shows.
_SLICE = 14
#: States of each kind in which a change must do what the C does.
_LIKE = 4
#: Suspects that a guess names.
_GUESSES = 3


def explain(path: Path) -> Explanation:
    """Explains the case in the file at ``path``.

    Errors: ``UsageError`` where it cannot be replayed.
    """
    case = load_case(path)
    with Workbench(build_of(case, path)) as bench:
        return Explainer(bench, thorough=True).explain(open_case(bench, case, path))


class Explainer:
    """Explains cases of one build; what was read of its C is kept between them.

    ``tied`` false leaves ties out of it; ``thorough`` also asks the compiler for undefined behaviour.
    """

    def __init__(self, bench: Workbench, tied: bool = True, thorough: bool = False) -> None:
        self._tied = tied
        self._thorough = thorough
        self._sources = Sources(bench.build) if bench.build.translated is not None else None

    def explain(self, opened: Opened) -> Explanation:
        """Everything that can be said of a case."""
        return _Explaining(opened, self._sources if self._tied else None, self._thorough).explanation()

    def tied(self, opened: Opened, steps: Sequence[Step], states: States) -> Tied:
        """What lockstep alone says of states, whatever they came to."""
        return run_tied(opened, self._sources, steps, states) if self._sources is not None else Tied()


class _Explaining:
    """One case on its way to an explanation."""

    def __init__(self, opened: Opened, sources: Sources | None, thorough: bool) -> None:
        self._begin = time.perf_counter()
        self._opened = opened
        self._sources = sources
        self._thorough = thorough
        self._notes: list[str] = []
        self._first = judged(opened, opened.before)
        self._steps = traced(opened.job.target, self._first.before, opened.job.fuel)

    def explanation(self) -> Explanation:
        opened, first = self._opened, self._first
        saved = recorded_difference(opened.case.first_difference)
        differs = first.judgement.result is Result.DIFFER
        method, how, culprits = self._found() if differs else (Method.NONE, "", ())
        verdict = {Result.DIFFER: Verdict.DIFFER, Result.AGREE: Verdict.AGREE}.get(first.judgement.result)
        if not differs:
            how = "nothing is to be explained: the translation does not differ in this state now"
        if opened.candidate is None:
            how = "the references disagree among themselves, so nothing is said about the translation"
        return Explanation(
            case=shown_path(opened.path),
            function=opened.function.name,
            address=opened.function.address,
            build=opened.case.build,
            compiler=opened.case.compiler,
            verdict=str(verdict or Verdict.INCONCLUSIVE),
            difference=first.judgement.difference or saved,
            method=method,
            how=how,
            culprits=culprits,
            slice=self._slice(culprits),
            inputs=tuple(InputPart(where, value) for where, value in opened.case.input.items()),
            registers=register_values(opened.before, self._steps, opened.case.input),
            memory=memory_words(opened.before, self._steps, opened.case.input, first.judgement.difference),
            notes=tuple(self._notes),
            seconds=time.perf_counter() - self._begin,
        )

    def _found(self) -> tuple[Method, str, tuple[Culprit, ...]]:
        """The culprits, by the surest method that has any."""
        states = states_near(self._opened, self._first, self._steps, _TRIES, _MOST)
        if self._sources is not None:
            look_farther(self._opened, states, _FARTHER, _MOST)
        return self._lockstep(states) or self._guessed(states)

    def _lockstep(self, states: States) -> tuple[Method, str, tuple[Culprit, ...]] | None:
        """What lockstep says; None where it cannot say anything, with the reason in the notes."""
        if self._sources is None:
            return None
        found = run_tied(self._opened, self._sources, self._steps, states)
        self._notes += found.notes
        if any(run.cut for run in found.failing):
            self._notes.append("lockstep: of a long run only the first ties were looked at")
        if not found.suspects:
            return None
        method, how, culprits = self._told(found.suspects, found.failing, found.calibration)
        if len({one.opcode for one in culprits}) == 1:
            like = self._like(states, culprits)
            culprits = tuple(replace(one, like=like) for one in culprits)
        if self._thorough:
            undefined = undefined_at(self._opened, self._sources, self._steps, self._first)
            culprits = tuple(self._with_class(one, undefined) for one in culprits)
        return method, how, culprits

    def _with_class(self, culprit: Culprit, undefined: frozenset[int]) -> Culprit:
        if culprit.address not in undefined:
            return culprit
        return replace(culprit, kind="; ".join(filter(None, (culprit.kind, "host undefined behaviour"))))

    def _like(self, states: States, culprits: Sequence[Culprit]) -> str:
        """What culprits do instead, if the same change of all instructions of their opcode explains everything."""
        job, name = self._opened.job, culprits[0].opcode
        same = [one.address for one in self._steps if one.insn is not None and one.insn.row.name == name]
        few = States(states.failing[:_LIKE], states.passing[:_LIKE])
        addresses = list(dict.fromkeys([*(one.address for one in culprits), *same]))
        return like_of(job.target, few, job.rules, job.fuel, addresses)

    def _told(
        self, named: Sequence[Suspect], failing: Sequence[Run], calibration: Calibration
    ) -> tuple[Method, str, tuple[Culprit, ...]]:
        chosen = _needed(named)
        instead = _instead(named, chosen)
        explained = set().union(*(one.failing for one in chosen))
        agreeing = sum(run.sightings - len(run.slips) for run in failing)
        calibrated = calibration.states or agreeing >= _AGREEING
        certain = len(explained) == len(failing) and calibrated and all(one.alone for one in chosen)
        sure = Surety.CERTAIN if certain else Surety.LIKELY
        how = f"lockstep at {sum(run.sightings for run in failing)} ties over {len(failing)} failing states"
        if calibration.states:
            how += f", calibrated on {calibration.states} that pass"
            how += f" ({calibration.slipping} of them slip too)" if calibration.slipping else ""
        else:
            how += f"; no state at hand passes, but {agreeing} steps agree"
        how += f"; no tie tells {len(instead)} more from the first" if instead else ""
        culprits = tuple(self._culprit(one, len(failing), sure) for one in (*chosen, *instead))
        return Method.LOCKSTEP, f"{how}: {sure}", culprits

    def _guessed(self, states: States) -> tuple[Method, str, tuple[Culprit, ...]]:
        """What can be said without ties."""
        job = self._opened.job
        found = guess(job.target, states, job.rules, job.fuel)
        if not found.addresses:
            return Method.NONE, "the reference executes nothing in this state", ()
        looked = f"{len(states.failing)} failing and {len(states.passing)} passing states"
        sure = Surety.GUESS
        if found.fitting == 1:
            method, sure = Method.DICTIONARY, Surety.LIKELY
            how = f"dictionary: one changed instruction of {found.of} does all that the C does in {looked}: {sure}"
        elif found.likes:
            method = Method.DICTIONARY
            how = f"dictionary, {looked}: guess, {found.fitting or len(found.likes)} changed instructions fit"
        else:
            method = Method.DICE
            how = f"dice, {looked}: guess, first of {found.of} by what came to wrong places"
        chosen = found.addresses[: 1 if sure is Surety.LIKELY else _GUESSES]
        culprits = tuple(replace(self._culprit(Suspect(a), 0, sure), like=found.likes.get(a, "")) for a in chosen)
        return method, how, culprits

    def _culprit(self, suspect: Suspect, of: int, sure: Surety) -> Culprit:
        return culprit_of(suspect, of, sure, self._opened, self._sources, self._steps)

    def _slice(self, culprits: Sequence[Culprit]) -> tuple[Executed, ...]:
        return executed(self._steps, self._first.judgement.difference, [one.address for one in culprits], _SLICE)


def _instead(named: Sequence[Suspect], chosen: Sequence[Suspect]) -> list[Suspect]:
    """The suspects, the likeliest first, that may be wrong instead of the first of those that were chosen."""
    others = [one for one in named if one.address in chosen[0].instead and one not in chosen]
    return others[: _GUESSES - 1]


def _needed(named: Sequence[Suspect]) -> list[Suspect]:
    """The suspects that it takes to explain all failing states, each of which explains some on its own."""
    chosen = [named[0]]
    for one in named[1:]:
        believed = one.alone and (one.carried or not one.passing)
        if believed or one.failing - set().union(*(other.failing for other in chosen)):
            chosen.append(one)
    return chosen
