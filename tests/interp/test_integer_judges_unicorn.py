"""Every integer row against Unicorn, on at least 2,000 operands each."""

from __future__ import annotations

import pytest
from guest_runs import run
from integer_judgement import BY_NAME, DIFFERENCES, Difference, explained, judge, reference
from integer_judges import UnicornJudge
from integer_probes import INTEGER

from harness.engines.faults import FAULTS
from harness.program.disassembly import disassemble
from interp.events import OPENS
from interp.optable import Kind, Row


def name_of(row: Row) -> str:
    return row.name


@pytest.mark.parametrize("row", INTEGER, ids=name_of)
def test_integer_rows_agree_with_unicorn(row: Row) -> None:
    judgement = judge(row, UnicornJudge(row).results())
    assert judgement.unexplained == ()
    assert sorted(judgement.differed) == [known.id for known in DIFFERENCES if row.name in known.rows.split()]
    has_operands = row.kind not in (Kind.JUMP, Kind.INDIRECT) and row.name != "lui"
    assert judgement.agreed >= (2000 if has_operands else 1), "distinct operands"


@pytest.mark.parametrize("known", DIFFERENCES, ids=lambda known: known.id)
def test_where_a_judge_differs_the_reference_notes_an_open_event(known: Difference) -> None:
    assert known.event in OPENS
    for name in known.rows.split():
        differing = [entry for entry in explained(BY_NAME[name]) if entry[-1]]
        assert len(differing) >= 20
        for cell, case, _, _, difference in differing[::10]:
            assert difference == known.id
            after = run([cell.insn.word], {cell.insn.t: case.t, cell.insn.s: case.s, 0: 0})
            assert known.event in {event for event, _ in after.machine.events}, disassemble(cell.insn.word)


def test_each_difference_is_a_known_fault_of_the_unicorn_leg() -> None:
    faults = {fault.id: fault.rows.split() for fault in FAULTS}
    for known in DIFFERENCES:
        assert {row for fault in known.faults.split() for row in faults[fault]} == {*known.rows.split()}


def test_a_judge_that_ran_another_row_is_found_out() -> None:
    _, results = reference(BY_NAME["daddu"])
    unexplained = judge(BY_NAME["dsubu"], results).unexplained
    assert len(unexplained) > 100
    assert unexplained[0].startswith("dsubu ")
