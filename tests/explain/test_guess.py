"""Without ties: a change of the reference that does what the C does names the instruction, and never for certain."""

from __future__ import annotations

from pathlib import Path

import pytest
import tied_project as project

from harness.explain.explaining import explain
from harness.explain.model import Method, Surety

#: Offset of the wrong statement, the statement, and what the dictionary should say: worked out by hand.
FAULTS = {
    "logical shift": (0x04, "{2} = (int64_t)((uint32_t){4} >> 2);", "like srl"),
    "wrong operands": (0x10, "{2} = (int32_t)({5} - {2});", "its operands the other way round"),
    "added": (0x10, "{2} = (int32_t)({2} + {5});", "like addu"),
    "mirrored store": (0x18, "put(m, {6}, __builtin_bswap32({2}));", "stores the bytes of its word mirrored"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_change_of_the_reference_names_the_instruction_and_what_it_does(tmp_path: Path, fault: str) -> None:
    offset, wrong, like = FAULTS[fault]
    told = explain(project.case_of(project.make(tmp_path, {offset: wrong}, "nothing")))
    assert told.method is Method.DICTIONARY
    likes = {one.address & 0xFFFF_FFFF: one.like for one in told.culprits}
    assert likes[project.ADDRESS + offset] == like
    assert Surety.CERTAIN not in {one.surety for one in told.culprits}


def test_where_no_change_fits_the_dice_say_so(tmp_path: Path) -> None:
    odd = "{2} = (int32_t)({2} * 77 + {5} % 13 + 5);"  # nothing that any one change does
    told = explain(project.case_of(project.make(tmp_path, {0x0C: odd}, "nothing")))
    assert told.method is Method.DICE
    assert told.how.startswith("dice")
    assert "guess" in told.how
    assert project.ADDRESS + 0x0C in [one.address & 0xFFFF_FFFF for one in told.culprits]


def test_lockstep_adds_what_the_culprit_does_instead(tmp_path: Path) -> None:
    offset, wrong, like = FAULTS["logical shift"]
    told = explain(project.case_of(project.make(tmp_path, {offset: wrong})))
    assert told.culprits[0].like == like
