"""With ties, the wrong instruction is named, however the C keeps its registers and wherever its addresses stand."""

from __future__ import annotations

from pathlib import Path

import pytest
import tied_project as project

from harness.explain.explaining import explain
from harness.explain.model import Method, Surety

#: Offset of the wrong statement, the statement, and the class that is told: each worked out by hand.
FAULTS = {
    "logical shift": (0x04, "{2} = (int64_t)((uint32_t){4} >> 2);"),
    "other branch": (0x08, "taken = {5} < 64;"),
    "slot": (0x0C, "{2} = (int32_t)({2} + {5} + 1);"),
    "no sign": (0x10, "{2} = (uint32_t)({2} - {5});"),
    "store": (0x18, "put(m, {6}, {2} ^ 0x100);"),
}


@pytest.mark.parametrize("cached", [False, True], ids=["struct", "variables"])
@pytest.mark.parametrize("tie", ["comments", "directives", "labels"])
@pytest.mark.parametrize("fault", FAULTS)
def test_the_wrong_instruction_is_named_for_certain(tmp_path: Path, fault: str, tie: str, cached: bool) -> None:
    offset, wrong = FAULTS[fault]
    tally = project.make(tmp_path, {offset: wrong}, tie, cached)
    told = explain(project.case_of(tally))
    assert told.method is Method.LOCKSTEP
    assert [one.address & 0xFFFF_FFFF for one in told.culprits] == [project.ADDRESS + offset]
    assert told.culprits[0].surety is Surety.CERTAIN
    source = told.culprits[0].source
    assert source is not None
    marked = [line.text for line in source.lines if line.marked]
    assert wrong.split(" = ")[-1].split("{")[0][:6] in marked[0]


@pytest.mark.parametrize("fault", ["logical shift", "slot", "no sign", "store"])
def test_a_line_under_a_condition_is_no_wrong_way(tmp_path: Path, fault: str) -> None:
    offset, wrong = FAULTS[fault]
    told = explain(project.case_of(project.make(tmp_path, {offset: wrong}, jumps=False)))
    assert [one.address & 0xFFFF_FFFF for one in told.culprits] == [project.ADDRESS + offset]


@pytest.mark.parametrize("pair", [("logical shift", "slot"), ("other branch", "slot")], ids=" and ".join)
@pytest.mark.parametrize("cached", [False, True], ids=["struct", "variables"])
def test_two_faults_at_once_are_both_named(tmp_path: Path, cached: bool, pair: tuple[str, str]) -> None:
    wrong = dict(FAULTS[name] for name in pair)
    told = explain(project.case_of(project.make(tmp_path, wrong, cached=cached)))
    named = {one.address & 0xFFFF_FFFF for one in told.culprits}
    assert named == {project.ADDRESS + offset for offset in wrong}


#: The sum loses its sign, so that the shift of it never sees one: its own fault shows behind a right sum alone.
HIDING = {0x00: "{4} = (uint16_t)({4} + 1);", **dict([FAULTS["logical shift"]])}


@pytest.mark.parametrize("cached", [False, True], ids=["struct", "variables"])
def test_a_fault_that_another_one_hides_in_every_state_is_named_too(tmp_path: Path, cached: bool) -> None:
    told = explain(project.case_of(project.make(tmp_path, HIDING, cached=cached)))
    assert {one.address & 0xFFFF_FFFF for one in told.culprits} == {project.ADDRESS, project.ADDRESS + 0x04}


def test_a_variable_that_only_copies_a_wrong_register_does_not_bring_the_wrong_value_back(tmp_path: Path) -> None:
    # a2 is wrong behind 80001000 in the struct; each later statement that reads it does so through a copy of its own.
    wrong = {
        0x00: "{4} = (int32_t)({4} + 1); {6} ^= 8;",
        0x04: "{ int64_t reg_6 = g.r[6]; {2} = (int32_t){4} >> 2; (void)reg_6; }",
    }
    wrong |= {0x10: "{ int64_t reg_6 = g.r[6]; {2} = (int32_t)({2} - {5}); (void)reg_6; }"}
    told = explain(project.case_of(project.make(tmp_path, wrong)))
    assert [one.address & 0xFFFF_FFFF for one in told.culprits] == [project.ADDRESS]


def test_variables_that_cannot_be_put_right_are_told_and_cost_nothing_else(tmp_path: Path) -> None:
    tally = project.make(tmp_path, HIDING, cached=True)
    file = tmp_path / "c" / "all.c"
    file.write_text(file.read_text().replace("int64_t reg_5 =", "const int64_t reg_5 ="))
    told = explain(project.case_of(tally))
    assert [one.address & 0xFFFF_FFFF for one in told.culprits] == [project.ADDRESS]
    assert any("cannot be put right" in note for note in told.notes)


def test_what_c_leaves_undefined_is_told_where_it_is_the_culprit(tmp_path: Path) -> None:
    # C11 6.5.7: a shift by the width or more is undefined.
    wrong = "{2} = (int32_t){4} >> (33 + ({5} == 0x1234567));"
    told = explain(project.case_of(project.make(tmp_path, {0x04: wrong})))
    assert [one.address & 0xFFFF_FFFF for one in told.culprits] == [project.ADDRESS + 0x04]
    assert told.culprits[0].kind.endswith("host undefined behaviour")


def test_without_a_tie_nothing_is_certain(tmp_path: Path) -> None:
    offset, wrong = FAULTS["logical shift"]
    told = explain(project.case_of(project.make(tmp_path, {offset: wrong}, "nothing")))
    assert told.culprits
    assert all(one.surety is not Surety.CERTAIN for one in told.culprits)
    assert "no tie between the C and guest addresses was found" in told.notes
