"""The machine: states, exact stops, fuel, the code cache, coverage, views of floating-point registers."""

from __future__ import annotations

import random

import pytest
from guest_runs import CODE, DATA, coverage, page, registers, run, words

from harness.engines import registers as registers_of
from interp.machine import Machine, Stop
from interp.memory import PAGE, Memory

WIDE = 0x1_8000_0001


def machine_with(*code: str | int, fr: bool = False) -> Machine:
    memory = Memory()
    memory.map(CODE, page(words(*code)), writable=False)
    memory.map(DATA, page(b""), writable=True)
    return Machine(memory, fr)


@pytest.mark.parametrize("fr", [False, True])
def test_a_state_that_is_set_reads_back_unsigned(fr: bool) -> None:
    rng = random.Random(5)
    gpr = (0, *(rng.getrandbits(64) for _ in range(31)))
    fpr = tuple(rng.getrandbits(64 if fr else 32) for _ in range(32))
    machine = machine_with("sll", fr=fr)
    machine.set_state(gpr, 1 << 63, 0xFFFF_FFFF_FFFF_FFFF, fpr, 0x0180_0003)
    assert machine.get_state() == (gpr, 1 << 63, 0xFFFF_FFFF_FFFF_FFFF, fpr, 0x0180_0003)
    machine.run(CODE, CODE + 4, 1)
    assert machine.get_state() == (gpr, 1 << 63, 0xFFFF_FFFF_FFFF_FFFF, fpr, 0x0180_0003)


def test_register_zero_stays_zero() -> None:
    machine = machine_with("or d=2 s=0 t=0")
    machine.set_state([7] * 32, 0, 0, [0] * 32, 0)
    machine.run(CODE, CODE + 4, 1)
    assert machine.get_state().gpr[:3] == (0, 7, 0)


@pytest.mark.parametrize("slot", ["lw t=2 s=5", "add d=2 s=6 t=6", "teq", "syscall", "sd t=2 s=5"])
def test_a_trap_in_a_delay_slot_is_told_at_the_slot(slot: str) -> None:
    after = run(["addiu t=3 i=1", "beq s=0 t=0 i=3", slot, "sll", "sll"], {2: 9, 5: DATA + 4 + 1, 6: 0x7FFF_FFFF})
    assert (after.stop.at, after.stop.steps, after[2], after[3]) == (CODE + 8, 2, 9, 1)
    after = run(["beql s=0 t=0 i=3", slot, "sll", "sll"], {2: 9, 5: DATA + 4 + 1, 6: 0x7FFF_FFFF})
    assert (after.stop.at, after.stop.steps, after[2]) == (CODE + 4, 1, 9)


def test_a_jump_whose_slot_traps_has_linked() -> None:
    after = run(["jalr d=31 s=4", "syscall", "sll"], {4: CODE + 8})
    assert (after.stop.at, after["ra"] % (1 << 64)) == (CODE + 4, CODE + 8)


def test_a_trap_leaves_everything_before_it_and_nothing_of_it_or_behind() -> None:
    code = ["addiu t=2 i=1", "sw t=2 s=4", "mult s=2 t=2", "lw t=2 s=4 i=2", "sw t=2 s=4 i=8", "addiu t=3 i=1"]
    after = run(code, {4: DATA})
    assert after.stop == Stop("trap", "address-error-load", CODE + 12, DATA + 2, 3)
    assert (after[2], after[3], after["lo"], after.data(0, 12)) == (1, 0, 1, "000000010000000000000000")


@pytest.mark.parametrize("fuel", range(12))
def test_a_run_never_exceeds_its_fuel(fuel: int) -> None:
    loop = ["addiu t=2 s=2 i=1", "beq i=-2", "addiu t=3 s=3 i=1"]
    after = run(loop, fuel=fuel)
    assert (after.stop.kind, after.stop.steps) == ("fuel", fuel // 3 * 3)
    assert (after[2], after[3], after.stop.at) == (fuel // 3, fuel // 3, CODE)


def test_fuel_may_end_between_a_likely_branch_and_its_slot() -> None:
    after = run(["beql s=0 t=0 i=2", "addiu t=2 i=1", "sll", "sll"], fuel=1)
    assert (after.stop.kind, after.stop.at, after.stop.steps, after[2]) == ("fuel", CODE + 4, 1, 0)


def test_fuel_that_is_just_enough_returns() -> None:
    assert run(["addiu t=2 i=1"] * 300, fuel=300).stop == Stop("returned", "", CODE + 1200, None, 300)
    assert run(["addiu t=2 i=1"] * 300, fuel=299).stop.kind == "fuel"


def test_a_run_to_its_own_start_does_nothing() -> None:
    assert run(["addiu t=2 i=1"], until=CODE).stop == Stop("returned", "", CODE, None, 0)


def test_until_stops_inside_straight_code_that_was_compiled_as_one_block() -> None:
    machine = machine_with(*["addiu t=2 s=2 i=1"] * 10)
    for end in (10, 4, 7, 4, 10):
        machine.set_state([0] * 32, 0, 0, [0] * 32, 0)
        assert machine.run(CODE, CODE + 4 * end, 100) == Stop("returned", "", CODE + 4 * end, None, end)
        assert machine.get_state().gpr[2] == end


def test_until_stops_where_an_earlier_run_went_round() -> None:
    machine = machine_with("addiu t=2 i=3", "addiu t=2 s=2 i=-1", "bne s=2 t=0 i=-2", "addiu t=3 s=3 i=1")
    for end, steps, rounds in ((4, 10, 3), (1, 1, 0), (4, 10, 3), (1, 1, 0)):
        machine.set_state([0] * 32, 0, 0, [0] * 32, 0)
        assert machine.run(CODE, CODE + 4 * end, 100) == Stop("returned", "", CODE + 4 * end, None, steps)
        assert machine.get_state().gpr[3] == rounds
    machine.set_state(registers({2: 5}), 0, 0, [0] * 32, 0)
    assert machine.run(CODE + 4, CODE + 4, 100).steps == 0
    assert machine.run(CODE + 8, CODE + 4, 100).steps == 2


def test_the_next_run_sees_changed_code_and_not_the_old_blocks() -> None:
    machine = machine_with("addiu t=2 i=1")
    machine.run(CODE, CODE + 4, 10)
    for value in (2, 3):
        machine.memory.clear()
        machine.memory.map(CODE, page(words(f"addiu t=2 i={value}")), writable=False)
        machine.run(CODE, CODE + 4, 10)
        assert machine.get_state().gpr[2] == value
        assert coverage(machine)[0] == {CODE}


def test_code_that_is_mapped_again_unchanged_is_not_compiled_again(monkeypatch: pytest.MonkeyPatch) -> None:
    machine = machine_with("addiu t=2 s=2 i=1", "sw t=2 s=4")
    machine.set_state(registers({4: DATA}), 0, 0, [0] * 32, 0)
    machine.run(CODE, CODE + 8, 10)
    monkeypatch.setattr(machine.assembler, "block", None)
    machine.memory.clear()
    machine.memory.map(CODE, page(words("addiu t=2 s=2 i=1", "sw t=2 s=4")), writable=False)
    machine.memory.map(DATA, page(b""), writable=True)
    machine.run(CODE, CODE + 8, 10)
    assert machine.memory.read(DATA, 4).hex() == "00000002"


def test_nothing_leaks_from_one_run_into_the_next() -> None:
    code = ["mfc0 t=2 d=14", "lw t=3 s=4", "divu s=5 t=6", "mtc0 t=5 d=14", "sw t=5 s=4", "sc t=7 s=4", "ll t=8 s=4"]
    machine = machine_with(*code, fr=True)
    seen = []
    for _ in range(2):
        machine.memory.clear()
        machine.memory.map(CODE, page(words(*code)), writable=False)
        machine.memory.map(DATA, page(b"\x01"), writable=True)
        machine.set_state(registers({4: DATA, 5: WIDE}), 0, 0, [0] * 32, 0)
        stop = machine.run(CODE, CODE + 28, 100)
        left = machine.get_state(), list(machine.events), machine.memory.read(DATA, PAGE), coverage(machine)
        seen.append((stop, *left))
    assert seen[0] == seen[1]
    assert seen[0][1].gpr[2:4] == (0, 0x0100_0000)


def test_code_may_lie_in_several_regions() -> None:
    memory = Memory()
    far = CODE + 0x10_0000
    memory.map(CODE, page(words(f"jal j={(far & 0x0FFF_FFFF) >> 2}", "sll", "addiu t=3 i=2")), writable=False)
    memory.map(far, page(words("jr s=31", "addiu t=2 i=1")), writable=False)
    machine = Machine(memory, False)
    assert machine.run(CODE, CODE + 12, 100).steps == 5
    assert machine.get_state().gpr[2:4] == (1, 2)
    assert coverage(machine) == ({CODE, CODE + 4, CODE + 8, far, far + 4}, frozenset())


def test_straight_code_across_pages_of_a_region_runs_through() -> None:
    assert run(["addiu t=2 s=2 i=1"] * 3000, fuel=3000)[2] == 3000


def test_falling_out_of_the_code_traps_at_the_first_address_without_code() -> None:
    machine = machine_with(*["addiu t=2 s=2 i=1"] * 1024)
    assert machine.run(CODE + 4000, CODE, 100) == Stop(
        "trap", "tlb-fetch", CODE + PAGE, CODE + PAGE, 24, "nothing is mapped there"
    )
    after = run(["sll"] * 1023 + ["beq i=-1"], start=CODE, until=0, fuel=2000)
    assert (after.stop.trap, after.stop.at, after.stop.steps) == ("tlb-fetch", CODE + PAGE, 1024)


# -- open cases ----------------------------------------------------------------------------------------------------


def test_an_event_counts_only_where_its_instruction_was_reached() -> None:
    code = ["beq s=5 t=0 i=2", "sll", "addu d=2 s=4 t=4", "sll"]
    assert list(run(code, {4: WIDE}).machine.events) == []
    assert list(run(code, {4: WIDE, 5: 1}).machine.events) == [("non-canonical-operand", CODE + 8)]
    after = run(["syscall", "addu d=2 s=4 t=4"], {4: WIDE})
    assert list(after.machine.events) == []


def test_an_operand_that_became_a_word_is_no_event_and_one_that_became_wide_is() -> None:
    assert not run(["sll d=4 t=4", "addu d=2 s=4 t=4"], {4: WIDE}).machine.events
    after = run(["lui t=4 i=1", "dsll32 d=4 t=4 a=1", "sll", "subu d=2 s=0 t=4"], {4: 1})
    assert list(after.machine.events) == [("non-canonical-operand", CODE + 12)]
    after = run(["or d=5 s=4 t=0", "mult s=5 t=5", "mflo d=6", "addu d=7 s=6 t=6"], {4: WIDE})
    assert list(after.machine.events) == [("non-canonical-operand", CODE + 4)]
    after = run(["lwu t=2 s=4", "addu d=3 s=2 t=2"], {4: DATA}, data="80000000")
    assert list(after.machine.events) == [("non-canonical-operand", CODE + 4)]


def test_an_operand_in_a_delay_slot_is_checked_at_the_slot() -> None:
    after = run(["beq i=1", "addu d=2 s=4 t=4"], {4: WIDE})
    assert list(after.machine.events) == [("non-canonical-operand", CODE + 4)]
    after = run(["beql i=1", "addu d=2 s=4 t=4"], {4: WIDE})
    assert list(after.machine.events) == [("non-canonical-operand", CODE + 4)]


def test_an_event_in_a_loop_is_told_once() -> None:
    after = run(["divu s=0 t=0", "addiu t=4 s=4 i=-1", "bne s=4 t=0 i=-3", "sll"], {4: 5})
    assert list(after.machine.events) == [("division-by-zero", CODE)]
    after.machine.set_state([0] * 32, 0, 0, [0] * 32, 0)
    after.machine.run(CODE + 12, CODE + 16, 5)
    assert list(after.machine.events) == []


def test_an_operand_that_becomes_wide_on_a_later_round_of_a_loop_is_an_event() -> None:
    loop = ["addu d=3 s=2 t=0", "addiu t=4 s=4 i=-1", "bne s=4 t=0 i=-3", "dsll d=2 t=2 a=31"]
    assert list(run(loop, {2: 1, 4: 1}).machine.events) == []
    assert list(run(loop, {2: 1, 4: 2}).machine.events) == [("non-canonical-operand", CODE)]


def test_what_one_path_knows_of_an_operand_does_not_hold_on_another() -> None:
    # Both ways meet at the last instruction: one has made register 2 a word, the other has not.
    code = ["bne s=4 t=0 i=2", "sll", "sll d=2 t=2", "addu d=3 s=2 t=0"]
    for first, second in ((0, 1), (1, 0)):
        after = run(code, {2: WIDE, 4: first})
        after.machine.set_state(registers({2: WIDE, 4: second}), 0, 0, [0] * 32, 0)
        seen = [list(after.machine.events)]
        after.machine.run(CODE, CODE + 16, 100)
        seen.append(list(after.machine.events))
        assert seen[first == 0] == [("non-canonical-operand", CODE + 12)] and seen[first] == []


# -- coverage ------------------------------------------------------------------------------------------------------


def test_coverage_tells_what_ran_up_to_the_instruction_that_trapped() -> None:
    after = run(["beq s=4 t=0 i=2", "sll", "sll", "syscall", "sll"], {4: 1})
    assert coverage(after.machine) == ({CODE, CODE + 4, CODE + 8, CODE + 12}, {(CODE, False)})
    after = run(["beq s=4 t=0 i=2", "syscall", "sll"], {4: 1})
    assert coverage(after.machine) == ({CODE, CODE + 4}, frozenset())


def test_coverage_of_a_run_that_did_nothing_is_empty() -> None:
    assert coverage(run(["sll"], fuel=0).machine) == (frozenset(), frozenset())


def test_an_unconditional_branch_has_no_directions() -> None:
    assert coverage(run(["beq i=2", "sll", "sll"]).machine) == ({CODE, CODE + 4}, frozenset())
    assert coverage(run(["bgezal i=1", "sll"]).machine) == ({CODE, CODE + 4}, frozenset())


def test_a_branch_to_the_instruction_behind_its_slot_counts_both_ways() -> None:
    assert coverage(run(["bne s=4 t=0 i=1", "sll", "sll"]).machine)[1] == {(CODE, True), (CODE, False)}


def test_a_jump_into_the_middle_of_a_block_is_covered_from_there() -> None:
    after = run(["beq s=4 t=0 i=3", "sll", "sll", "sll", "addiu t=2 i=1"])
    assert coverage(after.machine)[0] == {CODE, CODE + 4, CODE + 16}


# -- floating-point registers (R4K p. 154-156; R10K 15.3) ----------------------------------------------------------

ONE_S, ONE_D = 0x3F80_0000, 0x3FF0_0000_0000_0000


def float_run(code: list[str], fpr: dict[int, int], fr: bool, gpr: dict[int | str, int] | None = None) -> Machine:
    machine = machine_with(*code, fr=fr)
    machine.set_state(registers(gpr or {}), 0, 0, [fpr.get(n, 0) for n in range(32)], 0)
    assert machine.run(CODE, CODE + 4 * len(code), 100).kind == "returned"
    return machine


def test_without_fr_a_doubleword_is_an_even_odd_pair() -> None:
    machine = float_run(["add.d fd=4 fs=2 ft=2"], {2: 0, 3: ONE_D >> 32, 4: 9, 5: 9}, fr=False)
    assert machine.get_state().fpr[2:6] == (0, ONE_D >> 32, 0, 0x4000_0000)
    machine = float_run(["ldc1 ft=6 s=4", "sdc1 ft=6 s=4 i=8", "mfc1 t=2 fs=7", "dmfc1 t=3 fs=6"], {}, False, {4: DATA})
    assert machine.memory.read(DATA + 8, 8) == bytes(8)
    machine = float_run(["dmtc1 t=4 fs=6", "mfc1 t=2 fs=7", "mfc1 t=3 fs=6"], {}, False, {4: 0x11223344_55667788})
    assert machine.get_state().gpr[2:4] == (0x11223344, 0x55667788)


@pytest.mark.parametrize(("fr", "name", "set_"), [(False, "mov.d", 3), (True, "mov.s", 2)])
def test_a_register_that_is_set_between_runs_is_not_seen_as_it_was(fr: bool, name: str, set_: int) -> None:
    # The machine keeps what it made of the register for the instruction before: a doubleword of words, or a word.
    machine = float_run([f"{name} fd=4 fs=2"], {2: 5, 3: 6}, fr)
    registers_of.put(machine, ("fpr", set_), 9)
    machine.run(CODE, CODE + 4, 10)
    assert [registers_of.get(machine, ("fpr", n)) & 0xFFFF_FFFF for n in (set_, set_ + 2)] == [9, 9]


def test_with_fr_a_word_is_the_low_half_and_its_upper_half_becomes_open() -> None:
    machine = float_run(["add.s fd=5 fs=3 ft=3"], {3: 0xDEADBEEF_00000000 | ONE_S, 5: 7 << 32}, fr=True)
    assert machine.get_state().fpr[5] & 0xFFFF_FFFF == 0x4000_0000
    assert (machine.stale_halves, list(machine.events)) == ({5}, [])
    machine = float_run(["mtc1 t=0 fs=1", "lwc1 ft=2 s=4", "ldc1 ft=2 s=4", "dmtc1 t=0 fs=3"], {}, True, {4: DATA})
    assert machine.stale_halves == {1}


def test_arithmetic_on_an_open_upper_half_is_an_event_and_saving_it_is_none() -> None:
    saved = ["mtc1 t=0 fs=2", "sdc1 ft=2 s=4", "ldc1 ft=2 s=4", "add.d fd=4 fs=2 ft=2"]
    machine = float_run(saved, {}, True, {4: DATA})
    assert list(machine.events) == []
    machine = float_run(["mtc1 t=0 fs=2", "mov.d fd=4 fs=2"], {}, True)
    assert list(machine.events) == [("upper-fpr-half", CODE + 4)]


def test_without_fr_odd_registers_are_open_but_in_word_moves() -> None:
    machine = float_run(["mtc1 t=4 fs=3", "mfc1 t=2 fs=3", "lwc1 ft=5 s=4", "swc1 ft=5 s=4"], {}, False, {4: DATA})
    assert list(machine.events) == []
    odd = ("add.s fd=1 fs=2 ft=4", "add.s fd=2 fs=1 ft=4", "c.eq.s fs=2 ft=5", "mov.d fd=3 fs=2", "ldc1 ft=7 s=4")
    for code in odd:
        machine = float_run([code], {}, False, {4: DATA})
        assert list(machine.events) == [("odd-fpr", CODE)], code
    assert not float_run(["add.s fd=1 fs=3 ft=5", "ldc1 ft=7 s=4"], {}, True, {4: DATA}).events


def test_a_floating_point_exception_leaves_its_cause_and_nothing_else() -> None:
    # V5K p. 191: division by zero (Z) enabled by bit 10; its cause is bit 15, and the flag stays clear.
    machine = machine_with("div.s fd=4 fs=2 ft=0", fr=True)
    machine.set_state([0] * 32, 0, 0, [0, 0, ONE_S, *[0] * 29], 1 << 10)
    stop = machine.run(CODE, CODE + 4, 10)
    assert (stop.trap, stop.at) == ("fp-exception", CODE)
    assert machine.get_state().fcsr == 1 << 15 | 1 << 10
    assert machine.get_state().fpr[4] == 0
    assert machine.stale_halves == frozenset()
