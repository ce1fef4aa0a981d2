"""The verb ``explain``: one saved case, and the instruction whose C is wrong.

Where lines of the C are tied to guest addresses, lockstep says what it is. A method that is not sure says so.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from pathlib import Path

from harness.compare import Result, compared_registers
from harness.engines.translated import Translated
from harness.explain.blame import Suspect, suspects
from harness.explain.calibrate import Calibration, calibrate
from harness.explain.describe import culprit_of, executed, memory_words, register_values
from harness.explain.lockstep import Blind, Lockstep, Run
from harness.explain.model import Culprit, Executed, Explanation, Method, Surety
from harness.explain.states import States, judged, states_near
from harness.explain.trace import backward, last_writer, traced
from harness.explain.variables import Variables
from harness.explain.watched import Sources, TiedFunction, watch
from harness.program.model import Function, Program
from harness.replaying import Opened, build_of, open_case
from harness.results import InputPart
from harness.store.cases import load_case, recorded_difference
from harness.translated.compiler import CompilerRefusal
from harness.verdicts import Verdict
from harness.workbench import Workbench, shown_path

#: States tried near a case, and how many failing and passing ones are looked at.
_TRIES, _MOST = 60, 6
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
        functions = self._tied_functions()
        if not functions:
            return None
        opened = self._opened
        legs = zip(opened.bench.libraries, opened.bench.translations, strict=True)
        library = next((one for one, leg in legs if opened.candidate and leg is opened.candidate.engine), None)
        if self._sources is None or library is None:
            return None
        try:
            watched = watch(self._sources, functions, library)
        except CompilerRefusal as refusal:
            said = refusal.words.partition("\n")[0]
            self._notes.append(f"lockstep: the C with looks at its ties does not compile: {said}")
            return None
        leg = Translated(self._sources.build, watched.library)
        leg.load(opened.job.target)
        try:
            blind = Blind(compared_registers(opened.job.rules, opened.job.target.fr))
            lockstep = Lockstep(opened.job.target, watched, leg, Variables(), blind, opened.job.fuel)
            calibration, passing = calibrate(lockstep, [one.before for one in states.passing])
            if calibration.why:
                self._notes.append(f"lockstep: {calibration.why}")
                return None
            failing = [lockstep.run(one.before) for one in states.failing]
        finally:
            leg.close()
        if any(run.cut for run in failing):
            self._notes.append("lockstep: of a long run only the first ties were looked at")
        named = [one for one in suspects(failing, passing) if one.evidence]
        if not named:
            self._notes.append("lockstep: the C with looks at its ties makes no wrong step: see it without them")
            return None
        return self._told(named, failing, calibration)

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

    def _tied_functions(self) -> list[TiedFunction]:
        """The functions that the run came through, as far as their C is tied to addresses."""
        if self._sources is None:
            return []
        reached = functions_of(self._opened.bench.program, (step.address for step in self._steps))
        boundaries = self._opened.job.target.outside.boundaries if self._opened.job.target.outside else {}
        own = self._opened.function.address
        inside = [one for one in reached if one.address == own or one.address not in boundaries]
        found = [tied for one in inside if (tied := self._sources.of(one)) is not None and tied.ties]
        if not found:
            self._notes.append("no tie between the C and guest addresses was found")
        return found

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


def functions_of(program: Program, addresses: Iterable[int]) -> list[Function]:
    """The functions that hold the addresses, each once, in the order in which they come."""
    found = (program.function_at(address) for address in dict.fromkeys(addresses))
    return list(dict.fromkeys(function for function in found if function is not None))
