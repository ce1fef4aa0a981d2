"""The counts of one function's check under one compiler, and the verdict that follows from them."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.compare import Judgement, Result
from harness.coverage import Reach
from harness.engines.base import Engine, MachineState
from harness.results import Difference, Finding
from harness.verdicts import Discard, Verdict

_ADVICE = (
    "`tallystick survey` with its name shows what it reads; [[function]] in the file corrects that, "
    "or accepts the verdict with a reason"
)


@dataclass(frozen=True, slots=True)
class Candidate:
    """One compiled translation: its engine, or why the function at hand cannot run in it."""

    compiler: str
    engine: Engine
    not_run: str = ""


@dataclass(slots=True)
class Tally:
    """The counts under one compiler; ``candidate`` is None where only the references run."""

    candidate: Candidate | None
    states: int = 0
    compared: int = 0
    discarded: dict[str, int] = field(default_factory=dict)
    failing: tuple[MachineState, Difference] | None = None
    finding: Finding | None = None
    remarks: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def add(self, before: MachineState, judged: Judgement) -> None:
        self.states += 1
        if judged.compared:
            self.compared += 1
        else:
            self.discarded[judged.reason] = self.discarded.get(judged.reason, 0) + 1
        if judged.result is Result.DIFFER and judged.difference is not None:
            self.failing = before, judged.difference
        if judged.remark:
            self.remarks.append(judged.remark)

    def verdict(self, reach: Reach, states: int, accepted: str) -> tuple[Verdict, str, tuple[str, ...]]:
        """The verdict, where it is neither agree nor differ the reason, and what else to say of it.

        ``states`` is how many there should have been, ``accepted`` why a check will do that says little.
        """
        if self.candidate is not None and self.candidate.not_run:
            return Verdict.NOT_RUN, self.candidate.not_run, ()
        if self.finding is not None:
            return Verdict.DIFFER, "", ()
        if not self.compared:
            # Ties go to the reason that sorts first, so that the row does not depend on the order of states.
            why = min(self.discarded, key=lambda reason: (-self.discarded[reason], reason), default="no state drawn")
            unsupported = all(reason.startswith(Discard.UNSUPPORTED) for reason in self.discarded)
            verdict = Verdict.NOT_RUN if unsupported else Verdict.INCONCLUSIVE
            given_up = f", given up after {self.states} states" if self.states < states else ""
            return verdict, f"nothing compared: {why}{given_up}", () if unsupported else (_ADVICE,)
        little = self._says_little(reach)
        if little and not accepted:
            return Verdict.INCONCLUSIVE, little, (_ADVICE,)
        return Verdict.AGREE, "", (f"accepted though {little}: {accepted}",) if little else ()

    def _says_little(self, reach: Reach) -> str:
        """Why what was compared does not speak for the function, if so."""
        if 2 * self.compared < self.states:
            return "under half of the states compared"
        if 2 * reach.instructions_reached < reach.instructions_total:
            return "under half of the instructions reached"
        return ""
