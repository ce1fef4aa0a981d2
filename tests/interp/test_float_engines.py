"""Every floating-point row against Unicorn, in both views of the registers, and against qemu-mips64."""

from __future__ import annotations

from functools import cache

import pytest
from float_engines import DIFFERENCES, EngineVerdict, cases_of, converts_doublewords, judge, qemu_left, unicorn_left
from float_judgement import FLOAT_ROWS
from float_operands import has_two
from float_probes import Case, Left, reference
from integer_judges import QEMU_NEEDS

from harness.engines.faults import FAULTS
from interp.optable import Row


def name_of(row: Row) -> str:
    return row.name


@cache
def some(row: Row) -> list[Case]:
    """At least 1,500 cases of each row, 5,000 of those on two operands."""
    return cases_of(row, 40 if has_two(row) else 5)


def hold(engine: str, row: Row, verdict: EngineVerdict) -> None:
    """Nothing unexplained, and each known difference of the row occurs."""
    assert verdict.unexplained == []
    known = {entry.id for entry in DIFFERENCES if engine in entry.engines.split() and row.name in entry.rows.split()}
    assert {*verdict.differed} == known


@pytest.mark.parametrize("row", FLOAT_ROWS, ids=name_of)
def test_floating_point_rows_agree_with_unicorn(row: Row) -> None:
    for fr in (True, False):
        if fr or not converts_doublewords(row):
            hold("Unicorn", row, judge("Unicorn", row, some(row), unicorn_left(row, some(row), fr), fr))


@pytest.fixture(scope="module")
def qemu(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Left]]:
    """Row -> what QEMU leaves of its cases."""
    left = qemu_left([(row, some(row)) for row in FLOAT_ROWS], tmp_path_factory.mktemp("probes"))
    return {row.name: found for row, found in zip(FLOAT_ROWS, left, strict=True)}


@pytest.mark.cross(*QEMU_NEEDS)
@pytest.mark.parametrize("row", FLOAT_ROWS, ids=name_of)
def test_floating_point_rows_agree_with_qemu(row: Row, qemu: dict[str, list[Left]]) -> None:
    hold("QEMU", row, judge("QEMU", row, some(row), qemu[row.name], fr=True))


def test_each_difference_of_unicorn_is_a_known_fault_of_its_leg() -> None:
    faults = {fault.id for fault in FAULTS}
    for entry in DIFFERENCES:
        assert {*entry.faults.split()} <= faults
        assert bool(entry.faults) == ("Unicorn" in entry.engines.split())


def test_an_engine_that_ran_another_row_is_found_out() -> None:
    add, sub = (next(row for row in FLOAT_ROWS if row.name == name) for name in ("add.s", "sub.s"))
    verdict = judge("Unicorn", add, some(add), reference(sub, some(add), fr=True, ieee=True), fr=True)
    assert len(verdict.unexplained) > len(some(add)) / 2
