"""The check of one function: states drawn, run on every leg, judged, counted; the first finding shrunk and explained.

A function stops at its first difference under a compiler; the states before it are counted as they fell.
"""

from __future__ import annotations

import contextlib
import hashlib
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import hypothesis
from hypothesis import HealthCheck, Phase, settings
from hypothesis.strategies import SearchStrategy

from harness.abi import GPR_NAMES
from harness.compare import (
    AGREE,
    Judgement,
    LegOutcome,
    Result,
    Rules,
    candidate_matters,
    discarded_alone,
    judge_candidate,
    judge_references,
)
from harness.coverage import Direction, Reach
from harness.engines.base import Engine, GuestEvent, MachineState, Outcome, StopKind, Target
from harness.errors import UsageError
from harness.results import Difference, Finding, FunctionResult, InputPart, Writer
from harness.states.shrink import shrink
from harness.states.words import different_words
from harness.tally import Candidate, Tally
from harness.verdicts import DifferenceKind, Discard
from interp.events import WARNINGS

#: Runs of a shrink by kind of difference: a hang costs its whole time limit, a crash a restart of the child.
_SHRINK_RUNS = {DifferenceKind.HANG: 60, DifferenceKind.CRASH: 500}
_SHRINK_RUNS_OTHERWISE = 2000


#: What is said of a function outside that the file does not name.
_UNDECLARED = "which no source of the C defines: only that it is called is compared; [[external]] can say more"

#: States after which a function that never ended within its budget is given up: each one costs the whole budget.
_ENDLESS = 16


class StateSource(Protocol):
    """Where the states of one function come from; without ``drafts`` none is drawn."""

    @property
    def drafts(self) -> SearchStrategy[Any] | None:
        """What Hypothesis draws."""

    def opening(self, states: int) -> Iterable[MachineState]:
        """States to run before any drawn one; ``states`` is how many there will be in all."""

    def family(self, draft: Any) -> Iterable[MachineState]:
        """The states that a drawn draft stands for."""

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        """Told of each state under each compiler why it was not compared, if so, before the next state is asked for.

        ``outcome`` is that of the first reference.
        """

    def base_for(self, before: MachineState) -> MachineState:
        """The state from which ``before``, one of this source, is told apart when it is made smaller."""

    def impossible(self) -> frozenset[Direction]:
        """Branch directions that no input can make the function go, as far as that is certain."""


@dataclass(frozen=True, slots=True)
class Job:
    """Everything about one function's check but the function's states: legs, limits, and what to do with a finding.

    ``save`` stores a finding with its state and gives the path to print; ``writer`` names the instruction that wrote
    the place of a difference last. ``accepted`` is why a check will do that says little.
    """

    build: str
    target: Target
    references: Sequence[Engine]
    candidates: Sequence[Candidate]
    rules: Rules
    states: int
    fuel: int
    seed: int
    reach: Reach
    save: Callable[[MachineState, Finding, Candidate | None], str]
    writer: Callable[[MachineState, Difference], Writer | None]
    accepted: str = ""


class Clock:
    """Attributes wall time to phases: each ``lap`` gives the time since the last one to its phase."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._last = time.perf_counter()

    @property
    def total(self) -> float:
        """Seconds of all laps."""
        return sum(self.seconds.values())

    def lap(self, phase: str) -> None:
        """Ends a phase now."""
        now = time.perf_counter()
        self.seconds[phase] = self.seconds.get(phase, 0.0) + now - self._last
        self._last = now


class _Enough(BaseException):
    """Ends the drawing; no ``Exception``, so that Hypothesis neither replays nor reports it."""


def function_seed(seed: int, build: str, name: str) -> int:
    """The seed of one function's draws, so that no function's states depend on which others are checked."""
    return int.from_bytes(hashlib.sha256(f"{seed}\0{build}\0{name}".encode()).digest()[:8], "big")


def state_draws(seed: int, number: int) -> int:
    """The number that state ``number`` of a function draws the answers of the world outside from, never 0."""
    return int.from_bytes(hashlib.sha256(f"{seed}\0{number}".encode()).digest()[:8], "big") | 1


def check_function(job: Job, source: StateSource, clock: Clock) -> tuple[FunctionResult, ...]:
    """One result for each compiler, or one for the references alone where there is no translation."""
    return _FunctionCheck(job, source, clock).run()


def run_references(job: Job, before: MachineState, clock: Clock) -> tuple[list[LegOutcome], Judgement | None]:
    """What the references did and decided; the second one is spared what the first one's outcome decides alone."""
    outcomes: list[LegOutcome] = []
    for engine in job.references:
        outcomes.append((engine.name, engine.run(_with_effects(before, outcomes), job.fuel)))
        clock.lap(engine.name)
        if discarded_alone(outcomes[0][1]) is not None:
            break
    decided = judge_references(before, outcomes, job.rules)
    clock.lap("compare")
    return outcomes, decided


def _with_effects(before: MachineState, references: Sequence[LegOutcome]) -> MachineState:
    """The state with what isolated callees did in the first reference."""
    effects = references[0][1].effects if references else ()
    return replace(before, effects=effects) if effects else before


def run_candidate(
    job: Job,
    before: MachineState,
    references: Sequence[LegOutcome],
    decided: Judgement | None,
    candidate: Candidate | None,
    clock: Clock,
) -> Judgement:
    """The judgement of one state after the references ran; without a candidate theirs stands."""
    if candidate is None or not candidate_matters(decided, references[0][1]):
        return decided or AGREE
    outcome = candidate.engine.run(_with_effects(before, references), job.fuel)
    clock.lap("translated")
    judged = judge_candidate(before, references, decided, (candidate.engine.name, outcome), job.rules)
    clock.lap("compare")
    return replace(judged, remark=outcome.detail) if outcome.stop is StopKind.RETURNED else judged


class _FunctionCheck:
    def __init__(self, job: Job, source: StateSource, clock: Clock) -> None:
        self._job = job
        self._source = source
        self._clock = clock
        self._tallies = [Tally(candidate) for candidate in job.candidates] or [Tally(None)]
        self._active = [t for t in self._tallies if t.candidate is None or not t.candidate.not_run]
        self._states = 0
        self._seed = function_seed(job.seed, job.build, job.target.name)
        self._disagreement: tuple[MachineState, Difference] | None = None
        self._notes: list[str] = []
        self._warnings: set[GuestEvent] = set()
        self._undeclared: set[str] = set()

    def run(self) -> tuple[FunctionResult, ...]:
        if self._active:
            self._load()
            self._draw()
            self._explain()
            ordered = sorted(self._warnings, key=lambda event: (event.address, event.kind))
            self._notes += [f"{e.kind} at {e.address:016x}: {WARNINGS[e.kind]}" for e in ordered]
            self._notes += [f"calls {name}, {_UNDECLARED}" for name in sorted(self._undeclared)]
        return tuple(self._result(tally) for tally in self._tallies)

    def _load(self) -> None:
        candidates = [tally.candidate.engine for tally in self._active if tally.candidate]
        for engine in (*self._job.references, *candidates):
            engine.load(self._job.target)

    def _draw(self) -> None:
        """Runs the opening states, then those that Hypothesis draws; it only generates, ``shrink`` reduces."""
        problem: list[Exception] = []
        if not self._run_states(self._source.opening(self._job.states)) or self._source.drafts is None:
            return

        @hypothesis.seed(self._seed)
        @settings(
            max_examples=self._job.states,  # more than enough: ``_run_states`` counts, a draft is several states
            database=None,
            deadline=None,
            report_multiple_bugs=False,
            phases=(Phase.generate,),
            # They judge hand-written properties (slow draws, much filtered away); here every state is counted by us.
            suppress_health_check=list(HealthCheck),
        )
        @hypothesis.given(self._source.drafts)
        def each(draft: Any) -> None:
            self._clock.lap("draw")
            try:
                if self._run_states(self._source.family(draft)):
                    return
            except Exception as error:  # noqa: BLE001 - carried past Hypothesis, which would replay it, and raised below
                problem.append(error)
            raise _Enough

        with contextlib.suppress(_Enough):
            each()
        self._clock.lap("draw")
        if problem:
            raise problem[0]

    def _run_states(self, states: Iterable[MachineState]) -> bool:
        """Runs states while there is a use for them; says whether there still is."""
        for before in states:
            self._clock.lap("expand")
            self._one_state(before)
            self._states += 1
            if self._states >= self._job.states or not self._active or self._is_endless():
                return False
        return True

    def _is_endless(self) -> bool:
        """Whether no state so far came to its end."""
        out_of_fuel = self._active[0].discarded.get(Discard.FUEL, 0)
        return self._states == out_of_fuel == _ENDLESS

    def _one_state(self, before: MachineState) -> None:
        if self._job.target.outside is not None:
            before = replace(before, draws=state_draws(self._seed, self._states))
        references, decided = run_references(self._job, before, self._clock)
        if self._job.target.outside is not None:
            called = {event.where for event in references[0][1].outside}
            self._undeclared |= called & self._job.target.outside.undeclared
        coverage = references[0][1].coverage
        self._warnings.update(event for event in references[0][1].events if event.kind in WARNINGS)
        if coverage is not None:  # what does not count as a state does not count as reached
            (self._job.reach.add if decided is None else self._job.reach.add_unfinished)(coverage)
        if decided is not None and decided.result is Result.REFERENCES_DISAGREE and self._disagreement is None:
            assert decided.difference is not None  # that is what they disagree about
            self._disagreement = before, decided.difference
        for tally in self._active:
            judged = run_candidate(self._job, before, references, decided, tally.candidate, self._clock)
            tally.add(before, judged)
            self._source.judged(before, "" if judged.compared else judged.reason, references[0][1])
        self._active = [tally for tally in self._active if tally.failing is None]

    def _run(self, before: MachineState, candidate: Candidate | None) -> Judgement:
        """Runs one state on all legs and judges it, without counting it."""
        references, decided = run_references(self._job, before, self._clock)
        return run_candidate(self._job, before, references, decided, candidate, self._clock)

    def _explain(self) -> None:
        for tally in self._tallies:
            if tally.failing is not None:
                tally.finding = self._finding(*tally.failing, tally.candidate, tally.notes)
            if tally.remarks:
                tally.notes.append(f"the C {tally.remarks[0]} (in {len(tally.remarks)} of {tally.states} states)")
        if self._disagreement is not None:
            finding = self._finding(*self._disagreement, None, self._notes)
            values = ", ".join(f"{name} {value}" for name, value in finding.difference.values)
            kept = f"; kept in {finding.case}" if finding.case else ""
            self._notes.append(f"references disagree at {finding.difference.where}: {values}{kept}")

    def _finding(
        self, failing: MachineState, found: Difference, candidate: Candidate | None, notes: list[str]
    ) -> Finding:
        """Shrinks, names the last writer and saves; without a candidate the references' own disagreement.

        What goes wrong on the way is added to ``notes``.
        """

        base, draws = self._source.base_for(failing), failing.draws

        def still_fails(before: MachineState) -> bool:
            return found.same_kind(self._run(replace(before, draws=draws), candidate).difference)

        if draws:
            draws = 0  # answers of nothing but zeros, if they will do
            draws = 0 if still_fails(failing) else failing.draws
        budget = _SHRINK_RUNS.get(found.kind, _SHRINK_RUNS_OTHERWISE)
        small = replace(shrink(base, failing, still_fails, budget), draws=draws)
        difference = self._run(small, candidate).difference
        if difference is None:  # it did not come again: the state as it was found stands, and the values of that run
            small, difference = failing, found
            notes.append("not repeatable: another run of the same state shows no difference")
        words = different_words(base, small)
        inputs = tuple(_input_part(word.room, word.number, value, small.fr) for word, value in words.items())
        finding = Finding(difference, self._job.writer(small, difference), inputs, len(words), case="")
        try:
            finding = replace(finding, case=self._job.save(small, finding, candidate))
        except UsageError as error:  # a folder that cannot be written must not cost the finding
            notes.append(f"the case is not kept: {error}")
        self._clock.lap("explain")
        return finding

    def _result(self, tally: Tally) -> FunctionResult:
        target, reach = self._job.target, self._job.reach
        verdict, reason, said = tally.verdict(reach, self._job.states, self._job.accepted)
        return FunctionResult(
            name=target.name,
            address=target.entry,
            size=target.size,
            verdict=verdict,
            reason=reason,
            build=self._job.build,
            compiler=tally.candidate.compiler if tally.candidate else "",
            states=tally.states,
            compared=tally.compared,
            discarded=tuple(sorted(tally.discarded.items())),
            instructions_reached=reach.instructions_reached if tally.states else 0,
            instructions_total=reach.instructions_total,
            branches_reached=reach.branches_reached if tally.states else 0,
            branches_total=reach.branches_total,
            finding=tally.finding,
            notes=(*tally.notes, *self._notes, *said),
            missed=reach.missed(self._source.impossible()) if tally.states else (),
            seconds=self._clock.total,
        )


def _input_part(room: str, number: int, value: int, fr: bool) -> InputPart:
    """One word of an input as people read it."""
    if room == "mem":
        return InputPart(f"{number:016x}", f"{value:08x}")
    digits = {"fpr": 16 if fr else 8, "fcsr": 8}.get(room, 16)
    names = {"gpr": GPR_NAMES[number], "fpr": f"f{number}"}
    return InputPart(names.get(room, room), f"{value:0{digits}x}")
