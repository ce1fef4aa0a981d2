"""What a block takes for granted holds wherever it is run from, again too."""

from __future__ import annotations

from itertools import chain

import pytest
from guest_runs import CODE, DATA, registers, run

OFF = ["mfc0 t=2 d=12", "lui t=3 i=0x2000", "nor d=3 s=3 t=0", "and d=2 s=2 t=3", "mtc0 t=2 d=12"]  # CU1 of Status
ON = ["mfc0 t=2 d=12", "lui t=3 i=0x2000", "or d=2 s=2 t=3", "mtc0 t=2 d=12"]


def jump(name: str, index: int) -> str:
    """A jump to an instruction of the code by its number."""
    return f"{name} j={(CODE + 4 * index & 0x0FFF_FFFF) >> 2}"


def calls(between: list[str], use: str) -> list[str]:
    """Calls a function of its own blocks that uses coprocessor 1, does something, and calls it again.

    What is known of the registers is the same at both calls, so that the block may be the same.
    """
    end = 12 + len(between)
    called = [jump("jal", end - 2), "sll"]
    return [*OFF[:-1], *called, *between, *called, jump("j", end), "sll", "jr s=31", use]


# R4K ch. 5, CpU: whether the coprocessor is usable is asked each time that the instruction runs.
@pytest.mark.parametrize("use", ["mtc1 t=4 fs=6", "add.s fd=2 fs=4 ft=4", "sdc1 ft=2 s=4"])
def test_a_block_that_ran_while_coprocessor_1_was_usable_traps_when_it_is_not(use: str) -> None:
    assert run(calls(OFF[:-1], use), {4: DATA}).stop.kind == "returned"
    code = calls(OFF, use)
    after = run(code, {4: DATA})
    assert (after.stop.trap, after.stop.at) == ("coprocessor-unusable", CODE + 4 * (len(code) - 1))


def test_a_block_that_ran_before_runs_again_once_coprocessor_1_is_usable_again() -> None:
    after = run(calls([*OFF, *ON], "mtc1 t=4 fs=6"))
    assert after.stop.kind == "returned"


def test_coprocessor_1_may_be_switched_off_in_a_delay_slot() -> None:
    after = run([*OFF[:-1], "mtc1 t=4 fs=6", "beq i=2", OFF[-1], "sll", "mtc1 t=4 fs=6"])
    assert (after.stop.trap, after.stop.at) == ("coprocessor-unusable", CODE + 4 * 8)


def test_an_operand_is_checked_on_the_fifth_way_into_a_block_too() -> None:
    # Each way knows another register to be a word, and all but the last one the operand, register 2.
    ways = [[f"lui t={8 + way}", "sll d=2 t=2" if way < 4 else "sll", jump("j", 20), "sll"] for way in range(5)]
    machine = run([*chain(*ways), "addu d=3 s=2 t=0"]).machine
    for way in range(5):
        machine.set_state(registers({2: 1 << 40}), 0, 0, [0] * 32, 0)
        assert machine.run(CODE + 16 * way, CODE + 4 * 21, 100).kind == "returned"
        assert list(machine.events) == ([] if way < 4 else [("non-canonical-operand", CODE + 4 * 20)])
