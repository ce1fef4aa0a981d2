"""Which instruction of a wrong step is blamed: steps of `bne v1,zero,...` with `lh v0,0(a0)` in its slot."""

from __future__ import annotations

from harness.engines.base import RETURN_ADDRESS
from harness.engines.replay import Step
from harness.explain.blame import suspects
from harness.explain.slips import Run, Slip
from harness.program.assembly import encode
from interp.optable import decode

BRANCH, SLOT = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8000_1004
V0 = ("gpr", 2)


def slip(number: int, right: int, held: int, old: int) -> Slip:
    """The slot should give ``right`` in v0, which held ``old`` before; the C holds ``held``."""
    bne, lh = decode(encode("bne", s=3, t=0, imm=8)), decode(encode("lh", t=2, s=4, imm=0))
    steps = (
        Step(BRANCH, bne, reads={("gpr", 3): 0}, taken=False),
        Step(SLOT, lh, reads={("gpr", 4): 0}, writes={V0: right}, access=(0, 2, False)),
    )
    return Slip(number, SLOT + 4, steps, {V0: (right, held)}, unchanged=frozenset([V0] if held == old else []))


def blamed(*slips: Slip) -> list[int]:
    return [one.address for one in suspects([Run(slips=[one]) for one in slips], [])]


def test_a_slot_that_left_everything_as_it_was_is_put_on_its_branch() -> None:
    assert blamed(slip(1, right=0x12, held=7, old=7), slip(2, right=0x34, held=9, old=9)) == [BRANCH]


def test_a_slot_with_a_wrong_value_of_its_own_is_blamed_itself() -> None:
    assert blamed(slip(1, right=0x12, held=0x1200, old=7)) == [SLOT]


def test_a_slot_whose_wrong_value_is_once_the_old_one_by_chance_is_still_blamed_and_its_branch_is_not() -> None:
    assert blamed(slip(1, right=0x12, held=0x1200, old=7), slip(2, right=0x34, held=0, old=0)) == [SLOT]


def test_a_branch_that_goes_wrong_and_a_slot_with_a_wrong_value_are_two_faults() -> None:
    both = slip(1, right=0x12, held=0x1200, old=7)
    both.went = SLOT + 4, BRANCH + 0x24
    found = suspects([Run(slips=[both])], [])
    assert {one.address for one in found} == {BRANCH, SLOT}
    assert all(one.alone for one in found)


def test_a_c_that_stops_in_a_slot_stops_because_of_the_slot() -> None:
    ended = slip(1, right=0x12, held=0x12, old=7)
    ended.wrong, ended.ended, ended.last = {}, "crash", SLOT
    assert blamed(ended) == [SLOT]


def test_a_slot_from_which_the_c_goes_where_its_branch_cannot_go_is_to_blame_for_that() -> None:
    strayed = slip(1, right=0x12, held=0x12, old=7)
    strayed.wrong, strayed.went, strayed.last = {}, (SLOT + 4, RETURN_ADDRESS), SLOT
    assert blamed(strayed) == [SLOT]


def test_a_likely_branch_that_runs_a_slot_which_is_wrong_itself_is_a_fault_of_its_own() -> None:
    ran = slip(1, right=0x12, held=0x1200, old=7)
    ran.steps = (Step(BRANCH, decode(encode("bnel", s=3, t=0, imm=8)), reads={("gpr", 3): 0}, taken=False),)
    assert set(blamed(ran, slip(2, right=0x34, held=0x3400, old=9))) == {BRANCH, SLOT}


def test_an_instruction_whose_result_no_tie_shows_may_be_wrong_instead() -> None:
    # ori v0,zero,1; slt v0,a0,v0; and then the next tie: v0 as ori made it was never seen.
    ori = Step(BRANCH, decode(encode("ori", t=2, s=0, imm=1)), reads={("gpr", 0): 0}, writes={V0: 1})
    slt = Step(SLOT, decode(encode("slt", d=2, s=4, t=2)), reads={("gpr", 4): 0, V0: 1}, writes={V0: 1})
    first, second = suspects([Run(slips=[Slip(1, SLOT + 4, (ori, slt), {V0: (1, 0)})])], [])
    assert (first.address, second.address, first.instead) == (SLOT, BRANCH, {BRANCH})
    assert not first.alone


def test_an_operand_that_a_tie_shows_to_be_right_is_not_to_blame() -> None:
    ori = Step(BRANCH, decode(encode("ori", t=3, s=0, imm=1)), reads={("gpr", 0): 0}, writes={("gpr", 3): 1})
    slt = Step(SLOT, decode(encode("slt", d=2, s=4, t=3)), reads={("gpr", 4): 0, ("gpr", 3): 1}, writes={V0: 1})
    (one,) = suspects([Run(slips=[Slip(1, SLOT + 4, (ori, slt), {V0: (1, 0)})])], [])
    assert (one.address, one.alone) == (SLOT, True)


def test_of_a_store_that_needs_a_link_alone_nothing_is_certain() -> None:
    # LL and SC share the link, which the C keeps where no tie shows it (MIPS III, LL and SC).
    sc = Step(BRANCH, decode(encode("sc", t=2, s=4, imm=0)), reads={V0: 5}, writes={V0: 1}, access=(0, 4, True))
    (found,) = suspects([Run(slips=[Slip(1, BRANCH + 4, (sc,), {V0: (1, 0)})])], [])
    assert found.address == BRANCH
    assert not found.alone
