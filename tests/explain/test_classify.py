"""The class of a fault, from values worked out by hand."""

from __future__ import annotations

import pytest

from harness.engines.replay import Step
from harness.explain.blame import Suspect, blame
from harness.explain.classify import DECIDED_LATE, LINK_LOST, RUNS_SLOT, SKIPS_SLOT, kind_of, results
from harness.explain.slips import Slip
from harness.program.assembly import encode
from interp.optable import Insn, decode

AT = 0xFFFF_FFFF_8000_1000
V0 = ("gpr", 2)


def insn(name: str, **fields: int) -> Insn:
    found = decode(encode(name, **fields))
    assert found is not None
    return found


def told(step: Step, wrong: dict, went: tuple[int, int] | None = None, *more: Step) -> str:
    slip = Slip(1, AT + 4, (*more, step), wrong, went)
    return kind_of(Suspect(step.address, [(slip, step)]), fr=False)


@pytest.mark.parametrize(
    ("right", "value", "kind"),
    [
        (0xFFFF_FFFF_8000_0001, 0x8000_0001, "sign extension lost"),
        (0x8000_0001, 0xFFFF_FFFF_8000_0001, "sign extension where there is none"),
        (0xFFFF_FFFF_FFFF_FF80, 0x80, "sign extension lost"),
        (0x1234, 0x3412, "bytes mirrored"),
        (0x1234_5678, 0x7856_3412, "bytes mirrored"),
        (0x0000_0001_0000_0002, 0x0000_0002_0000_0001, "words swapped"),
        (0x1234_5678, 0x5678_1234, "halfwords swapped"),
        (0x1234_8678, 0xFFFF_FFFF_8678_1234, "halfwords swapped"),
        (0x0000_0001_0000_0002, 0x0000_0009_0000_0002, "low word right and high word wrong"),
        (0x10, 0x11, "off by one"),
        (1, 0, "condition wrong"),
        (0, 0xA5A5_A5A5, "uninitialised host memory"),
        (0x10, 0x99, "wrong value"),
    ],
)
def test_the_class_of_a_wrong_integer(right: int, value: int, kind: str) -> None:
    step = Step(AT, insn("addu", d=2, s=4, t=5), writes={V0: right})
    assert told(step, {V0: (right, value)}) == kind


@pytest.mark.parametrize(
    ("right", "value", "kind"),
    [
        (0x7FBF_FFFF, 0x7FC0_0000, "NaN payload only"),
        (0x8000_0000, 0x0000_0000, "sign of zero"),
        (0x3F80_0000, 0xBF80_0000, "sign wrong"),
        (0x3F80_0000, 0x3F80_0001, "rounding: one unit in the last place"),
    ],
)
def test_the_class_of_a_wrong_single(right: int, value: int, kind: str) -> None:
    f2 = ("fpr", 2)
    step = Step(AT, insn("add.s", fd=2, fs=4, ft=6), writes={f2: right})
    assert told(step, {f2: (right, value)}) == kind


def test_of_a_result_that_was_overwritten_before_the_next_tie_nothing_is_told() -> None:
    first = Step(AT, insn("ori", t=2, s=0, imm=1), writes={V0: 1})
    second = Step(AT + 4, insn("slt", d=2, s=4, t=2), reads={V0: 1}, writes={V0: 1})
    slip = Slip(1, AT + 8, (first, second), {V0: (1, 0)})
    assert results(first, slip, fr=False) == []
    assert kind_of(Suspect(AT, [(slip, first)]), fr=False) == ""


def test_a_branch_with_a_wrong_link_does_not_skip_its_slot() -> None:
    # BGEZAL links to the instruction behind its slot (MIPS III, BGEZAL).
    ra, link = ("gpr", 31), AT + 8
    branch = Step(AT, insn("bgezal", s=4, imm=4), reads={("gpr", 4): 1}, writes={ra: link}, taken=True)
    assert told(branch, {ra: (link, AT + 4)}) == "high word right and low word wrong"


def test_a_class_must_fit_all_evidence() -> None:
    step = Step(AT, insn("addu", d=2, s=4, t=5), writes={V0: 0x10})
    slips = [Slip(1, AT + 4, (step,), {V0: (0x10, value)}) for value in (0x11, 0x20)]
    assert kind_of(Suspect(AT, [(slip, step) for slip in slips]), fr=False) == "wrong value"


def test_a_store_is_one_value_of_all_its_bytes() -> None:
    places = {("mem", 0x1000 + n): byte for n, byte in enumerate(bytes.fromhex("12345678"))}
    step = Step(AT, insn("sw", t=5, s=4), writes=places, access=(0x1000, 4, True))
    mirrored = {loc: (places[loc], byte) for loc, byte in zip(places, bytes.fromhex("78563412"), strict=True)}
    assert told(step, mirrored) == "bytes mirrored"


def test_a_branch_that_reads_what_its_slot_writes_is_decided_late() -> None:
    branch = Step(AT, insn("bne", s=2, t=0, imm=4), reads={V0: 0, ("gpr", 0): 0}, taken=False)
    slot = Step(AT + 4, insn("addiu", t=2, s=2, imm=1), writes={V0: 1})
    slip = Slip(1, AT + 8, (branch, slot), {}, (AT + 8, AT + 20))
    assert blame(slip) == [branch]
    assert kind_of(Suspect(AT, [(slip, branch)]), fr=False) == DECIDED_LATE


def test_a_branch_that_would_go_right_behind_its_slot_too_is_not_decided_late() -> None:
    # blez of 0 is taken (MIPS III), and of the -1 that the slot makes as well: that the C goes on is another mistake.
    branch = Step(AT, insn("blez", s=2, imm=4), reads={V0: 0}, taken=True)
    slot = Step(AT + 4, insn("addiu", t=2, s=2, imm=-1), reads={V0: 0}, writes={V0: (1 << 64) - 1})
    slip = Slip(1, AT + 8, (branch, slot), {}, (AT + 20, AT + 8))
    assert kind_of(Suspect(AT, [(slip, branch)]), fr=False) == "goes the other way"


def test_a_slot_whose_work_is_not_done_where_the_branch_is_not_taken_is_the_branchs_fault() -> None:
    branch = Step(AT, insn("bne", s=4, t=5, imm=4), reads={("gpr", 4): 1, ("gpr", 5): 1}, taken=False)
    slot = Step(AT + 4, insn("addiu", t=2, s=2, imm=1), reads={V0: 6}, writes={V0: 7})
    slip = Slip(1, AT + 8, (branch, slot), {V0: (7, 6)}, unchanged=frozenset([V0]))
    assert blame(slip) == [branch]
    assert kind_of(Suspect(AT, [(slip, branch)]), fr=False) == SKIPS_SLOT


def test_a_slot_that_does_its_work_wrongly_is_its_own_fault() -> None:
    branch = Step(AT, insn("bne", s=4, t=5, imm=4), reads={("gpr", 4): 1, ("gpr", 5): 1}, taken=False)
    slot = Step(AT + 4, insn("addiu", t=2, s=2, imm=1), reads={V0: 6}, writes={V0: 7})
    assert blame(Slip(1, AT + 8, (branch, slot), {V0: (7, 8)})) == [slot]


def test_a_likely_branch_whose_slot_ran_though_it_is_not_taken() -> None:
    branch = Step(AT, insn("bnel", s=4, t=5, imm=4), reads={("gpr", 4): 1, ("gpr", 5): 1}, taken=False)
    slip = Slip(1, AT + 8, (branch,), {V0: (6, 7)})
    assert blame(slip) == [branch]
    assert kind_of(Suspect(AT, [(slip, branch)]), fr=False) == RUNS_SLOT


def test_a_store_that_loses_its_link_may_lose_it_to_the_load_before_it() -> None:
    # SC writes 1 where it stored, else 0 (MIPS III, SC).
    sc = Step(AT, insn("sc", t=2, s=4), reads={V0: 5}, writes={V0: 1, ("mem", 3): 5}, access=(0, 4, True))
    assert told(sc, {V0: (1, 0), ("mem", 3): (5, 0)}) == LINK_LOST


def test_of_two_instructions_the_one_that_the_other_used_is_to_blame() -> None:
    first = Step(AT, insn("addiu", t=2, s=4, imm=1), reads={("gpr", 4): 1}, writes={V0: 2})
    second = Step(AT + 4, insn("sll", d=3, t=2, a=1), reads={V0: 2}, writes={("gpr", 3): 4})
    assert blame(Slip(1, AT + 8, (first, second), {V0: (2, 3), ("gpr", 3): (4, 6)})) == [first]
