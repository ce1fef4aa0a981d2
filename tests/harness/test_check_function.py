"""The check of one function, on legs and states made by hand: counting, verdicts, the first finding."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from random import Random
from typing import Any

import pytest
from hypothesis import strategies as st
from made_states import DATA, poke, returned, state

from harness.abi import ABIS
from harness.check_function import Clock, Job, check_function, function_seed
from harness.compare import Rules
from harness.config import Scope
from harness.coverage import Reach
from harness.engines.base import Coverage, GuestEvent, MachineState, Outcome, StopKind, Target
from harness.errors import UsageError
from harness.program.assembly import encode
from harness.results import Finding, FunctionResult, Writer
from harness.tally import Candidate
from harness.verdicts import DifferenceKind, Verdict

Run = Callable[[MachineState], Outcome]
ENTRY = 0xFFFF_FFFF_8000_1000

#: beq a0,a1,+8; nop; jr ra; nop
CODE = tuple(
    (ENTRY + 4 * i, word)
    for i, word in enumerate([encode("beq", s=4, t=5, imm=1), 0, encode("jr", s=31), 0])
)
ALL_REACHED = Coverage(frozenset(address for address, _ in CODE), frozenset({(ENTRY, True)}))


class Leg:
    """An engine that is a function."""

    version = "1"

    def __init__(self, name: str, run: Run) -> None:
        self.name = name
        self._run = run
        self.runs = 0

    def load(self, target: Target) -> None:
        pass

    def run(self, before: MachineState, fuel: int) -> Outcome:
        self.runs += 1
        return self._run(before)

    def close(self) -> None:
        pass


def adds(before: MachineState) -> Outcome:
    """What the function under test does: v0 = a0 + a1, as 64-bit registers."""
    return returned(with_v0(before, gpr(before, 4) + gpr(before, 5)), coverage=ALL_REACHED)


def gpr(before: MachineState, number: int) -> int:
    value = before.gpr[number]
    assert value is not None
    return value


def with_v0(before: MachineState, value: int) -> MachineState:
    return replace(before, gpr=(*before.gpr[:2], value & (1 << 64) - 1, *before.gpr[3:]))


class Source:
    """States with a0, a1 and t0 drawn; t0 does not matter to the function."""

    base = state()
    drafts: Any = st.integers(0, (1 << 48) - 1)

    def __init__(self, opening: Sequence[MachineState] = ()) -> None:
        self._opening = opening
        self.told: list[tuple[MachineState, str]] = []

    def opening(self, states: int) -> Iterable[MachineState]:
        return self._opening[: states // 2]

    def family(self, draft: Any) -> Iterable[MachineState]:
        rng = Random(draft)
        for member in range(4):
            yield state(r4=rng.getrandbits(16), r5=rng.getrandbits(8), r8=member)

    def base_for(self, before: MachineState) -> MachineState:
        return self.base

    def impossible(self) -> frozenset[tuple[int, bool]]:
        return frozenset()

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        self.told.append((before, discarded))


def check(
    *candidates: Run | str,
    reference: Run = adds,
    second: Run = adds,
    states: int = 40,
    seed: int = 0,
    source: Source | None = None,
    save: Callable[[MachineState, Finding, Candidate | None], str] = lambda *about: kept(*about),
) -> tuple[FunctionResult, ...]:
    """Runs the check; a candidate given as text is one that cannot run, for that reason."""
    made = [
        Candidate("gcc", Leg("gcc", adds), c) if isinstance(c, str) else Candidate("gcc", Leg("gcc", c))
        for c in candidates
    ]
    job = Job(
        build="b",
        target=Target("add", ENTRY, 16, (), False),
        references=[Leg("reference", reference), Leg("unicorn", second)],
        candidates=made,
        rules=Rules(Scope.ABI, ABIS["o32"]),
        states=states,
        fuel=100,
        seed=seed,
        reach=Reach(CODE),
        save=save,
        writer=lambda before, difference: Writer(ENTRY, "addu v0,a0,a1"),
    )
    return check_function(job, source or Source(), Clock())


def kept(before: MachineState, finding: Finding, candidate: Candidate | None) -> str:
    return f"case of {candidate.compiler if candidate else 'references'}"


def wrong_from(limit: int) -> Run:
    """A translation that loses a bit of the result once a0 reaches ``limit``."""

    def run(before: MachineState) -> Outcome:
        right = gpr(before, 4) + gpr(before, 5)
        return returned(with_v0(before, right ^ 1 if gpr(before, 4) >= limit else right))

    return run


# --- verdicts --------------------------------------------------------------------------------------------


def test_a_translation_that_does_the_same_agrees_on_all_states() -> None:
    (result,) = check(adds)
    assert (result.verdict, result.reason, result.states, result.compared) == (Verdict.AGREE, "", 40, 40)
    assert result.discarded == ()
    assert (result.instructions_reached, result.instructions_total) == (4, 4)
    assert (result.branches_reached, result.branches_total) == (1, 2)


def test_a_leg_compared_with_itself_agrees_where_there_is_no_translation() -> None:
    (result,) = check()
    assert (result.verdict, result.compiler, result.compared) == (Verdict.AGREE, "", 40)


def test_a_wrong_translation_differs_and_its_input_is_shrunk() -> None:
    (result,) = check(wrong_from(5))
    assert result.verdict is Verdict.DIFFER
    finding = result.finding
    assert finding is not None
    assert (finding.difference.kind, finding.difference.where) == (DifferenceKind.REGISTER, "v0")
    assert [part.where for part in finding.inputs] == ["a0"]  # neither a1 nor t0 matters
    assert finding.words == 1
    assert finding.case == "case of gcc"
    assert finding.writer == Writer(ENTRY, "addu v0,a0,a1")
    values = dict(finding.difference.values)
    assert values["reference"] == values["unicorn"] == finding.inputs[0].value
    assert int(values["gcc"], 16) == int(values["reference"], 16) ^ 1


def test_a_function_stops_at_its_first_difference() -> None:
    (result,) = check(wrong_from(0))
    assert (result.verdict, result.states, result.compared) == (Verdict.DIFFER, 1, 1)


def test_one_compiler_that_differs_does_not_stop_the_others() -> None:
    first, second = check(wrong_from(0), adds)
    assert (first.verdict, first.states) == (Verdict.DIFFER, 1)
    assert (second.verdict, second.states) == (Verdict.AGREE, 40)


def test_a_function_that_is_not_translated_is_not_run() -> None:
    first, second = check("translated function missing from the C", adds)
    assert (first.verdict, first.reason) == (Verdict.NOT_RUN, "translated function missing from the C")
    assert (first.states, first.instructions_reached) == (0, 0)
    assert second.verdict is Verdict.AGREE


def test_traps_in_most_states_leave_the_function_inconclusive() -> None:
    def traps(before: MachineState) -> Outcome:
        return adds(before) if gpr(before, 8) == 3 else Outcome(StopKind.TRAP, before, trap="overflow")

    (result,) = check(adds, reference=traps, second=traps)
    assert (result.verdict, result.reason) == (Verdict.INCONCLUSIVE, "under half of the states compared")
    assert (result.states, result.compared, result.discarded) == (40, 10, (("guest trap:overflow", 30),))


def test_a_function_of_which_little_is_reached_is_inconclusive() -> None:
    def reaches(before: MachineState) -> Outcome:
        return replace(adds(before), coverage=Coverage(frozenset({ENTRY}), frozenset()))

    (result,) = check(adds, reference=reaches)
    assert (result.verdict, result.reason) == (Verdict.INCONCLUSIVE, "under half of the instructions reached")


def test_states_that_do_not_count_reach_nothing() -> None:
    def traps(before: MachineState) -> Outcome:
        return replace(adds(before), stop=StopKind.TRAP, trap="break")

    (result,) = check(adds, reference=traps, second=traps)
    assert (result.verdict, result.reason) == (Verdict.INCONCLUSIVE, "nothing compared: guest trap:break")
    assert (result.instructions_reached, result.branches_reached) == (0, 0)


def test_a_function_that_never_ends_is_given_up_early_and_says_so() -> None:
    def endless(before: MachineState) -> Outcome:
        return Outcome(StopKind.FUEL, before)

    (result,) = check(adds, reference=endless)
    assert result.verdict is Verdict.INCONCLUSIVE
    assert (result.states, result.discarded) == (16, (("instruction budget", 16),))
    assert result.reason == "nothing compared: instruction budget, given up after 16 states"


def test_a_function_that_ends_now_and_then_is_not_given_up() -> None:
    def sometimes(before: MachineState) -> Outcome:
        return adds(before) if gpr(before, 8) == 3 else Outcome(StopKind.FUEL, before)

    (result,) = check(adds, reference=sometimes)
    assert (result.states, result.compared) == (40, 10)


def test_a_function_that_a_leg_cannot_run_is_not_run() -> None:
    def cannot(before: MachineState) -> Outcome:
        return Outcome(StopKind.UNSUPPORTED, None, detail="no MIPS III code")

    (result,) = check(adds, reference=cannot)
    assert result.verdict is Verdict.NOT_RUN
    assert result.reason == "nothing compared: unsupported by a leg: no MIPS III code"


# --- references ------------------------------------------------------------------------------------------


def test_references_that_disagree_are_counted_kept_and_shown_and_blame_nobody() -> None:
    def other(before: MachineState) -> Outcome:
        return returned(with_v0(before, 0)) if gpr(before, 8) == 3 else adds(before)

    (result,) = check(wrong_from(1 << 60), second=other, source=Source([state(r4=1, r8=3)]))
    assert result.verdict is Verdict.AGREE
    assert dict(result.discarded)["references disagree"] >= 1
    (note,) = result.notes
    assert note == (
        "references disagree at v0: reference 0000000000000001, unicorn 0000000000000000; kept in case of references"
    )


def test_the_second_reference_is_spared_what_the_first_decides_alone() -> None:
    def opens(before: MachineState) -> Outcome:
        return replace(adds(before), events=(GuestEvent("division-by-zero", ENTRY),))

    def never(before: MachineState) -> Outcome:
        raise AssertionError("the second reference ran")

    (result,) = check(adds, reference=opens, second=never)
    assert result.discarded == (("open:division-by-zero", 40),)


# --- crashes ---------------------------------------------------------------------------------------------


def test_a_crash_is_a_finding_of_its_own_kind_and_shrinks_too() -> None:
    def crashes(before: MachineState) -> Outcome:
        if gpr(before, 4) >= 2:
            return Outcome(StopKind.CRASH, None, detail="host division by zero")
        return adds(before)

    (result,) = check(crashes)
    assert result.finding is not None
    assert result.finding.difference.kind is DifferenceKind.CRASH
    assert [(part.where, part.value) for part in result.finding.inputs] == [("a0", "0000000000000002")]


def test_a_difference_in_memory_names_its_byte() -> None:
    def writes(before: MachineState) -> Outcome:
        right = adds(before).after
        assert right is not None
        return returned(poke(right, DATA + 9, b"\x01"))

    (result,) = check(writes)
    assert result.finding is not None and result.finding.difference.where == f"{DATA + 9:016x}"
    assert result.finding.inputs == ()  # every input shows it


def test_a_difference_that_does_not_come_again_is_kept_as_it_was_found() -> None:
    calls = []

    def flaky(before: MachineState) -> Outcome:
        calls.append(before)
        return returned(with_v0(before, 12345)) if len(calls) == 3 else adds(before)

    (result,) = check(flaky)
    assert result.verdict is Verdict.DIFFER
    assert result.finding is not None and dict(result.finding.difference.values)["gcc"] == f"{12345:016x}"
    assert result.notes == ("not repeatable: another run of the same state shows no difference",)


def test_a_warning_is_a_note_and_the_state_counts() -> None:
    def warns(before: MachineState) -> Outcome:
        return replace(adds(before), events=(GuestEvent("hilo-hazard", ENTRY + 4),))

    (result,) = check(adds, reference=warns)
    assert (result.verdict, result.discarded) == (Verdict.AGREE, ())
    (note,) = result.notes
    assert note.startswith(f"hilo-hazard at {ENTRY + 4:016x}: ")


# --- determinism and faults ------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_result_and_another_one_other_states() -> None:
    assert check(wrong_from(100), seed=1) == check(wrong_from(100), seed=1)
    assert function_seed(1, "b", "add") != function_seed(2, "b", "add")
    assert function_seed(1, "b", "add") != function_seed(1, "c", "add")
    assert function_seed(1, "b", "add") != function_seed(1, "b", "sub")


def test_an_exception_of_a_leg_comes_out_as_it_is() -> None:
    def broken(before: MachineState) -> Outcome:
        raise RuntimeError("leg is broken")

    with pytest.raises(RuntimeError, match="leg is broken"):
        check(broken)


def test_opening_states_run_first() -> None:
    opening = [state(r4=n) for n in range(100)]
    ran: list[MachineState] = []

    def notes(before: MachineState) -> Outcome:
        ran.append(before)
        return adds(before)

    check(notes, source=Source(opening))
    assert ran[:20] == opening[:20]
    assert len(ran) == 40
    assert all(before not in opening for before in ran[20:])


def test_a_source_without_drafts_gives_all_states_itself() -> None:
    class Finite(Source):
        drafts: Any = None

        def opening(self, states: int) -> Iterable[MachineState]:
            return self._opening

    assert check(adds, source=Finite([state(r4=n) for n in range(7)]))[0].states == 7


def test_a_source_is_told_of_each_state_whether_it_counted() -> None:
    def traps(before: MachineState) -> Outcome:
        return Outcome(StopKind.TRAP, before, trap="overflow") if gpr(before, 4) == 2 else adds(before)

    source = Source([state(r4=n) for n in range(4)])
    check(adds, reference=traps, second=traps, source=source, states=8)
    assert [discarded for _, discarded in source.told[:4]] == ["", "", "guest trap:overflow", ""]
    assert len(source.told) == 8


def test_a_clock_gives_every_moment_to_one_phase() -> None:
    clock = Clock()
    for phase in ("draw", "reference", "draw"):
        clock.lap(phase)
    assert set(clock.seconds) == {"draw", "reference"}
    assert all(seconds >= 0 for seconds in clock.seconds.values())


def test_a_finding_whose_case_cannot_be_kept_is_still_a_finding() -> None:
    def full(before: MachineState, finding: Finding, candidate: Candidate | None) -> str:
        raise UsageError("cases/add.json", "cannot be written", got="no space left on device")

    (result,) = check(wrong_from(1 << 10), save=full)
    assert (result.verdict, result.finding is not None and result.finding.case) == (Verdict.DIFFER, "")
    assert result.notes == ("the case is not kept: cases/add.json: cannot be written: got no space left on device",)


# --- what the translation's leg remarks -------------------------------------------------------------------


def test_remarks_of_a_leg_on_calls_that_returned_become_one_note_and_change_no_verdict() -> None:
    def untidy(before: MachineState) -> Outcome:
        detail = "left the host's rounding mode changed" if gpr(before, 8) == 3 else ""
        return replace(adds(before), detail=detail)

    right, also_right = check(untidy, adds)
    assert (right.verdict, also_right.verdict) == (Verdict.AGREE, Verdict.AGREE)
    assert right.notes == ("the C left the host's rounding mode changed (in 10 of 40 states)",)
    assert also_right.notes == ()
