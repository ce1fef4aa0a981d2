"""The comparator: every rule of ``harness.compare``, on outcomes made by hand."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from made_states import DATA, ENTRY_SP, STACK, poke, returned, state

from harness.abi import ABIS
from harness.compare import Judgement, Result, Rules, judge
from harness.config import Scope
from harness.engines.base import GuestEvent, MachineState, Outcome, Region, StopKind
from harness.errors import HarnessError
from harness.results import Difference
from harness.verdicts import DifferenceKind

O32 = Rules(Scope.ABI, ABIS["o32"])
O32_ALL = Rules(Scope.ALL, ABIS["o32"])
N32 = Rules(Scope.ABI, ABIS["n32"])
BEFORE = state()


def three(reference: Outcome, second: Outcome, candidate: Outcome, rules: Rules = O32) -> Judgement:
    before = state(fr=rules.abi.fr)
    return judge(before, [("reference", reference), ("unicorn", second)], ("gcc -O2", candidate), rules)


def difference(expected: MachineState, got: MachineState, rules: Rules = O32) -> Difference | None:
    """First difference of a candidate from two references that agree on ``expected``."""
    return three(returned(expected), returned(expected), returned(got), rules).difference


def place(expected: MachineState, got: MachineState, rules: Rules = O32) -> str | None:
    found = difference(expected, got, rules)
    return found.where if found else None


# --- what is compared ------------------------------------------------------------------------------------


def test_equal_outcomes_agree() -> None:
    assert three(returned(state(r2=7)), returned(state(r2=7)), returned(state(r2=7))).result is Result.AGREE


def test_a_wrong_result_register_is_named_with_the_values_of_all_legs() -> None:
    found = difference(state(r2=0xFFFF_FFFF_8000_0000), state(r2=0x8000_0000))
    assert found == Difference(
        DifferenceKind.REGISTER,
        "v0",
        (("reference", "ffffffff80000000"), ("unicorn", "ffffffff80000000"), ("gcc -O2", "0000000080000000")),
        loc=("gpr", 2),
    )


@pytest.mark.parametrize("register", [2, 3, 16, 17, 18, 19, 20, 21, 22, 23, 28, 29, 30])
def test_result_and_preserved_registers_count_in_the_abi_scope(register: int) -> None:
    assert place(state(), state(**{f"r{register}": 1})) is not None


@pytest.mark.parametrize("register", [1, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 24, 25, 26, 27, 31])
def test_scratch_registers_count_only_in_the_scope_of_all(register: int) -> None:
    wrong = state(**{f"r{register}": 1})
    assert place(state(), wrong) is None
    assert place(state(), wrong, O32_ALL) is not None


def test_register_zero_is_never_compared() -> None:
    assert place(state(), state(r0=1), O32_ALL) is None


def test_hi_and_lo_count_only_in_the_scope_of_all() -> None:
    assert place(state(), state(hi=1, lo=1)) is None
    assert place(state(), state(hi=1, lo=1), O32_ALL) == "hi"
    assert place(state(), state(lo=1), O32_ALL) == "lo"


@pytest.mark.parametrize(
    ("rules", "counted"),
    [(O32, [0, 1, 2, 3, *range(20, 32)]), (N32, [0, 2, 20, 22, 24, 26, 28, 30])],
)
def test_floating_point_registers_count_as_the_convention_says(rules: Rules, counted: list[int]) -> None:
    fr = rules.abi.fr
    seen = [n for n in range(32) if place(state(fr=fr), state(fr=fr, **{f"f{n}": 1}), rules) == f"f{n}"]
    assert seen == counted


def test_without_fr_only_the_low_word_of_a_floating_point_register_counts() -> None:
    assert place(state(f0=0x1_0000_0001), state(f0=0x1)) is None
    found = difference(state(f0=1), state(f0=2))
    assert found is not None and found.values[0][1] == "00000001"


def test_with_fr_all_64_bits_of_a_floating_point_register_count() -> None:
    found = difference(state(fr=True, f0=1 << 63), state(fr=True), N32)
    assert found is not None and found.values[0][1] == "8000000000000000"


def test_with_fr_the_upper_half_that_a_32_bit_write_left_open_does_not_count() -> None:
    reference = returned(state(fr=True, f0=0x1111_1111_3F80_0000), open_halves=frozenset({0}))
    same_low, other_low = state(fr=True, f0=0x3F80_0000), state(fr=True, f0=0x1111_1111_3F80_0001)
    assert three(reference, reference, returned(same_low), N32).result is Result.AGREE
    assert three(reference, returned(same_low), returned(same_low), N32).result is Result.AGREE
    assert three(reference, reference, returned(other_low), N32).result is Result.DIFFER
    other_register = state(fr=True, f0=0x1111_1111_3F80_0000, f2=1 << 40)
    assert three(reference, reference, returned(other_register), N32).result is Result.DIFFER


def test_fcsr_counts_by_its_control_bits_in_the_abi_scope() -> None:
    for bit in (0, 1, 7, 11, 24):  # rounding mode, enables, FS
        assert place(state(), state(fcsr=1 << bit)) == "fcsr"
    for bit in (2, 6, 12, 16, 23):  # flags, cause, condition
        assert place(state(), state(fcsr=1 << bit)) is None
        assert place(state(), state(fcsr=1 << bit), O32_ALL) == "fcsr"


@pytest.mark.parametrize(
    ("wrong", "first", "others"),
    [
        (state(r2=1, r3=1, f0=1, r16=1), "v0", 3),
        (state(f0=1, r16=1), "f0", 1),
        (state(r16=1, f20=1, fcsr=1), "s0", 2),
        (poke(state(f20=1, fcsr=1), DATA, b"\x01"), "f20", 2),
        (poke(state(fcsr=1), DATA, b"\x01\x02"), "fcsr", 2),
    ],
)
def test_the_order_is_results_registers_floating_point_fcsr_memory(
    wrong: MachineState, first: str, others: int
) -> None:
    found = difference(state(), wrong)
    assert found is not None and (found.where, found.others) == (first, others)


def test_hi_and_lo_come_after_the_general_and_before_the_floating_point_registers() -> None:
    assert place(state(), state(r31=1, hi=1, lo=1, f4=1), O32_ALL) == "ra"
    assert place(state(), state(hi=1, lo=1, f4=1), O32_ALL) == "hi"
    assert place(state(), state(lo=1, f4=1), O32_ALL) == "lo"


def test_what_a_leg_does_not_observe_is_not_compared() -> None:
    blind = replace(state(), hi=None, lo=None, fcsr=None, gpr=(None,) * 32, fpr=(None,) * 32)
    assert place(state(r2=1, f0=1, hi=1, fcsr=1), blind, O32_ALL) is None


def test_a_region_that_a_leg_does_not_give_is_not_compared() -> None:
    changed = poke(state(), DATA, b"\x01")
    assert place(changed, replace(state(), memory=state().memory[1:])) is None


# --- memory ----------------------------------------------------------------------------------------------


def test_the_lowest_differing_byte_is_named_with_its_word() -> None:
    right = poke(state(), DATA + 0x14, b"\x12\x34\x56\x78")
    wrong = poke(poke(state(), DATA + 0x14, b"\x12\x35\x56\x79"), DATA + 0x40, b"\xff")
    assert difference(right, wrong) == Difference(
        DifferenceKind.MEMORY,
        "ffffffff80100015",
        (("reference", "34"), ("unicorn", "34"), ("gcc -O2", "35")),
        2,
        (("reference", "12345678"), ("unicorn", "12345678"), ("gcc -O2", "12355679")),
        ("mem", DATA + 0x15),
    )


@pytest.mark.parametrize("offset", [0, 1, 0x7FF, 0xFFE, 0xFFF])
def test_a_single_byte_is_found_anywhere_in_a_page(offset: int) -> None:
    assert place(state(), poke(state(), DATA + offset, b"\x80")) == f"{DATA + offset:016x}"


def test_the_dead_stack_and_the_home_area_do_not_count_in_the_abi_scope() -> None:
    for dead in (STACK, ENTRY_SP - 1, ENTRY_SP, ENTRY_SP + 15):
        assert place(state(), poke(state(), dead, b"\x01")) is None
        assert place(state(), poke(state(), dead, b"\x01"), O32_ALL) == f"{dead:016x}"
    assert place(state(), poke(state(), ENTRY_SP + 16, b"\x01")) == f"{ENTRY_SP + 16:016x}"


def test_n32_has_no_home_area() -> None:
    fr = state(fr=True)
    assert place(fr, poke(fr, ENTRY_SP, b"\x01"), N32) == f"{ENTRY_SP:016x}"
    assert place(fr, poke(fr, ENTRY_SP - 1, b"\x01"), N32) is None


def test_regions_of_different_sizes_are_a_fault_of_the_harness() -> None:
    short = replace(state(), memory=(Region(DATA, bytes(16), True),))
    with pytest.raises(HarnessError, match="different sizes: got 16 bytes, expected 4096 bytes"):
        difference(state(), short)


# --- references judge each other first -------------------------------------------------------------------


def test_references_that_disagree_are_never_a_difference_of_the_candidate() -> None:
    judged = three(returned(state(r8=1)), returned(state(r8=2)), returned(state(r8=3)))
    assert judged.result is Result.REFERENCES_DISAGREE
    assert judged.difference is not None
    assert judged.difference.where == "t0"
    assert judged.difference.values == (("reference", "0000000000000001"), ("unicorn", "0000000000000002"))


def test_references_are_compared_beyond_the_abi_scope() -> None:
    for second in (state(hi=1), state(f4=1), poke(state(), ENTRY_SP - 8, b"\x01")):
        assert three(returned(state()), returned(second), returned(state())).result is Result.REFERENCES_DISAGREE


def test_references_may_differ_in_the_cause_field_of_fcsr_only() -> None:
    assert three(returned(state()), returned(state(fcsr=0x0003_F000)), returned(state())).result is Result.AGREE
    flag = three(returned(state()), returned(state(fcsr=0x4)), returned(state()))
    assert flag.result is Result.REFERENCES_DISAGREE


def test_references_that_stop_differently_disagree() -> None:
    trap = Outcome(StopKind.TRAP, state(), trap="overflow")
    other = Outcome(StopKind.TRAP, state(), trap="break")
    for first, second in ((trap, other), (trap, returned(state())), (returned(state()), trap)):
        assert three(first, second, returned(state())).result is Result.REFERENCES_DISAGREE


# --- states that do not count ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("reference", "reason"),
    [
        (Outcome(StopKind.TRAP, state(), trap="overflow"), "guest trap:overflow"),
        (Outcome(StopKind.FUEL, state()), "instruction budget"),
        (Outcome(StopKind.UNSUPPORTED, None, detail="no row"), "unsupported by a leg: no row"),
        (Outcome(StopKind.EXTERNAL, None, detail="puts"), "external called: puts"),
        (returned(state(), events=(GuestEvent("division-by-zero", DATA),)), "open:division-by-zero"),
    ],
)
def test_a_state_that_does_not_count_has_a_reason(reference: Outcome, reason: str) -> None:
    judged = three(reference, reference, returned(state(r2=99)))
    assert (judged.result, judged.reason) == (Result.DISCARDED, reason)


def test_a_trap_that_only_the_chip_raises_is_discarded_although_the_second_reference_goes_on() -> None:
    trap = Outcome(StopKind.TRAP, state(), trap="unimplemented-operation")
    assert three(trap, returned(state()), returned(state())).reason == "guest trap:unimplemented-operation"


def test_references_are_not_held_to_a_result_that_is_open() -> None:
    opened = returned(state(lo=1), events=(GuestEvent("division-by-zero", DATA),))
    assert three(opened, returned(state(lo=2)), returned(state())).reason == "open:division-by-zero"


def test_what_a_leg_cannot_run_is_discarded_under_its_name() -> None:
    cannot = Outcome(StopKind.UNSUPPORTED, None, detail="block of 400 instructions")
    right = returned(state())
    assert three(right, cannot, right).reason == "unsupported by a leg: unicorn: block of 400 instructions"
    assert three(right, right, cannot).reason == "unsupported by a leg: gcc -O2: block of 400 instructions"


# --- crashes, hangs and wild accesses of the candidate ---------------------------------------------------

CRASH = Outcome(StopKind.CRASH, None, detail="host division by zero")
WILD = Outcome(StopKind.WILD, None, fault_address=0xFFFF_FFFF_9FFF_0004)
HANG = Outcome(StopKind.HANG, None)


@pytest.mark.parametrize(
    ("candidate", "kind", "text"),
    [
        (CRASH, DifferenceKind.CRASH, "crash: host division by zero"),
        (WILD, DifferenceKind.CRASH, "wild access at ffffffff9fff0004"),
        (HANG, DifferenceKind.HANG, "hang"),
    ],
)
def test_a_candidate_that_does_not_come_back_is_a_finding(candidate: Outcome, kind: DifferenceKind, text: str) -> None:
    judged = three(returned(state()), returned(state()), candidate)
    assert judged.result is Result.DIFFER
    assert judged.difference is not None
    assert (judged.difference.kind, judged.difference.where) == (kind, "stop")
    assert judged.difference.values == (("reference", "returned"), ("unicorn", "returned"), ("gcc -O2", text))


def test_a_host_division_by_zero_is_a_finding_where_the_guest_only_meets_an_open_result() -> None:
    opened = returned(state(), events=(GuestEvent("division-by-zero", DATA),))
    judged = three(opened, opened, CRASH)
    assert judged.result is Result.DIFFER
    assert judged.difference is not None and judged.difference.kind is DifferenceKind.CRASH


@pytest.mark.parametrize("candidate", [WILD, HANG, replace(CRASH, fault_address=DATA)])
def test_a_candidate_that_strays_after_an_open_result_is_not_blamed(candidate: Outcome) -> None:
    opened = returned(state(), events=(GuestEvent("division-by-zero", DATA),))
    assert three(opened, opened, candidate).reason == "open:division-by-zero"


@pytest.mark.parametrize("candidate", [CRASH, WILD, HANG])
def test_a_candidate_that_crashes_where_the_guest_traps_is_not_blamed(candidate: Outcome) -> None:
    trap = Outcome(StopKind.TRAP, state(), trap="tlb-load")
    assert three(trap, trap, candidate).reason == "guest trap:tlb-load"


def test_a_candidate_that_traps_where_the_references_return_differs_in_its_stop() -> None:
    judged = three(returned(state()), returned(state()), Outcome(StopKind.TRAP, state(), trap="break"))
    assert judged.difference is not None
    assert (judged.difference.kind, judged.difference.values[-1][1]) == (DifferenceKind.STOP, "trap break")


# --- fcsr and FR guard -----------------------------------------------------------------------------------


def test_legs_with_different_fr_bits_are_a_fault_of_the_harness() -> None:
    with pytest.raises(HarnessError, match=re.escape("different FR bits")):
        difference(state(), state(fr=True))
