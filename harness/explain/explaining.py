"""The verb ``explain``: one saved case, and the instruction whose C is wrong.

Where lines of the C are tied to guest addresses, lockstep says what it is. A method that is not sure says so.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path

from harness.compare import Result
from harness.explain.blame import Suspect
from harness.explain.calibrate import Calibration
from harness.explain.describe import culprit_of, executed, memory_words, register_values
from harness.explain.lockstep import Run
from harness.explain.model import Culprit, Executed, Explanation, Method, Surety
from harness.explain.states import States, judged, states_near
from harness.explain.tied import Tied, run_tied
from harness.explain.trace import backward, last_writer, traced
from harness.explain.watched import Sources
from harness.replaying import Opened, build_of, open_case
from harness.results import InputPart
from harness.store.cases import load_case, recorded_difference
from harness.verdicts import Verdict
from harness.workbench import Workbench, shown_path
from interp.replay import Step

#: States tried near a case, and how many failing and passing ones are looked at.
_TRIES, _MOST = 60, 12
#: Steps that agree in failing states: so many show that lockstep sees the translation, where no state passes.
_AGREEING = 10
#: Instructions that a slice shows.
_SLICE = 14
#: Suspects that a guess names.
_GUESSES = 3


def explain(path: Path) -> Explanation:
    """Explains the case in the file at ``path``.

    Errors: ``UsageError`` where it cannot be replayed.
    """
    case = load_case(path)
    with Workbench(build_of(case, path)) as bench:
        return Explainer(bench).explain(open_case(bench, case, path))


class Explainer:
    """Explains cases of one build; what was read of its C is kept between them."""

    def __init__(self, bench: Workbench, tied: bool = True) -> None:
        self._bench = bench
        self._tied = tied
        self._sources = Sources(bench.build) if bench.build.translated is not None else None

    def explain(self, opened: Opened) -> Explanation:
        """Everything that can be said of a case."""
        return _Explaining(opened, self._sources if self._tied else None).explanation()


    def tied(self, opened: Opened, steps: Sequence[Step], states: States) -> Tied:
        """What lockstep alone says of states, whatever they came to."""
        return run_tied(opened, self._sources, steps, states) if self._sources is not None else Tied()


class _Explaining:
    """One case on its way to an explanation."""

    def __init__(self, opened: Opened, sources: Sources | None) -> None:
        self._begin = time.perf_counter()
        self._opened = opened
        self._sources = sources
        self._notes: list[str] = []
        self._first = judged(opened, opened.before)
        self._steps = traced(opened.job.target, self._first.before, opened.job.fuel)

    def explanation(self) -> Explanation:
        opened, first = self._opened, self._first
        saved = recorded_difference(opened.case.first_difference)
        differs = first.judgement.result is Result.DIFFER
        method, how, culprits = self._found() if differs else (Method.SLICE, "", ())
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
        by_lockstep = self._lockstep(states)
        if by_lockstep is not None:
            return by_lockstep
        return self._by_slice(states)

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
        return self._told(found.suspects, found.failing, found.calibration)

    def _told(
        self, named: Sequence[Suspect], failing: Sequence[Run], calibration: Calibration
    ) -> tuple[Method, str, tuple[Culprit, ...]]:
        chosen = _needed(named, failing)
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
        culprits = tuple(self._culprit(one, len(failing), sure) for one in chosen)
        return Method.LOCKSTEP, f"{how}: {sure}", culprits

    def _by_slice(self, states: States) -> tuple[Method, str, tuple[Culprit, ...]]:
        difference = self._first.judgement.difference
        start = last_writer(self._steps, difference.loc) if difference and difference.loc else None
        if start is None:
            return Method.SLICE, "guess: no instruction of the guest wrote the place", ()
        numbers = backward(self._steps, start)[::-1]
        ranked = list(dict.fromkeys(self._steps[n].address for n in numbers))
        culprits = tuple(self._culprit(Suspect(address), 0, Surety.GUESS) for address in ranked[:_GUESSES])
        how = f"guess, first {len(culprits)} of {len(ranked)}: what the wrong place was made of"
        return Method.SLICE, how, culprits

    def _culprit(self, suspect: Suspect, of: int, sure: Surety) -> Culprit:
        return culprit_of(suspect, of, sure, self._opened, self._sources, self._steps)

    def _slice(self, culprits: Sequence[Culprit]) -> tuple[Executed, ...]:
        return executed(self._steps, self._first.judgement.difference, [one.address for one in culprits], _SLICE)


def _needed(named: Sequence[Suspect], failing: Sequence[Run]) -> list[Suspect]:
    """The suspects that it takes to explain all failing states, each of which explains some on its own."""
    chosen = [named[0]]
    for one in named[1:]:
        if one.failing - set().union(*(other.failing for other in chosen)) or (one.alone and not one.passing):
            chosen.append(one)
    return chosen

