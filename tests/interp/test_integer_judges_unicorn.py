"""Every integer row against Unicorn, on at least 2,000 operands each."""

from __future__ import annotations

from typing import Any

import pytest
import unicorn
from guest_runs import run
from integer_judgement import (
    AT,
    BY_NAME,
    DATA_AT,
    DIFFERENCES,
    OPERANDS_AT,
    RESULTS_AT,
    Difference,
    explained,
    judge,
    reference,
)
from integer_probes import DATA, INTEGER, MARK, OPERANDS, RESULTS, TRAPS, Placed, Results, program, results_of
from unicorn import mips_const

from harness.engines.faults import FAULTS
from interp.events import OPENS
from interp.optable import Kind, Row, disassemble

GPR = mips_const.UC_MIPS_REG_0
#: Unicorn's numbers of the exceptions that a probe can raise.
EXCEPTIONS = {12: "address-error-load", 13: "address-error-store", 21: "overflow", 22: "trap"}


class Judge:
    """Unicorn's R4000 with the probes of a row; nothing of what the harness does about Unicorn."""

    def __init__(self, row: Row) -> None:
        self.uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
        self.uc.ctl_set_cpu_model(mips_const.UC_CPU_MIPS64_R4000)
        self.uc.mem_map(0, 0x40_0000)
        self.uc.hook_add(unicorn.UC_HOOK_INTR, self._raised)
        self.probes = program([row], AT)
        self.exception = 0
        for address, data in ((AT, self.probes.code), (OPERANDS_AT, self.probes.operands)):
            self.uc.mem_write(address & 0x1FFF_FFFF, data)
        for register, address in ((OPERANDS, OPERANDS_AT), (RESULTS, RESULTS_AT), (DATA, DATA_AT)):
            self.uc.reg_write(GPR + register, address)

    def results(self) -> list[Results]:
        start = AT
        for placed in self.probes.cells:
            self._run(start, placed)
            start = placed.end
        return results_of(bytes(self.uc.mem_read(RESULTS_AT & 0x1FFF_FFFF, len(self.probes.operands))))

    def _run(self, start: int, placed: Placed) -> None:
        """Runs a cell; its program counter is no use after an exception, but only the probe can have raised one."""
        while True:
            self.exception = 0
            try:
                self.uc.emu_start(start, placed.end)
            except unicorn.UcError:
                assert self.exception
            if not self.exception:
                return
            self.uc.reg_write(GPR + MARK, TRAPS.index(EXCEPTIONS[self.exception]))
            start = placed.probe + 4

    def _raised(self, uc: Any, number: int, _: Any) -> None:
        self.exception = number
        uc.emu_stop()


def name_of(row: Row) -> str:
    return row.name


@pytest.mark.parametrize("row", INTEGER, ids=name_of)
def test_integer_rows_agree_with_unicorn(row: Row) -> None:
    judgement = judge(row, Judge(row).results())
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
    _, results = reference(BY_NAME["addu"])
    with pytest.raises(AssertionError, match="daddu"):
        judge(BY_NAME["daddu"], results)
