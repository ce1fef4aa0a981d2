"""The translated leg: everything that C can do wrong is an outcome, and the next run works."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from c_translations import CODE, DATA, FIXED, GLOBALS, STRUCT, Bench, project

from harness.engines.base import PAGE, Outcome, Region, StopKind
from harness.errors import HarnessError, UsageError
from harness.translated.build import MISSING

NOWHERE = 0xFFFF_FFFF_8003_0000

STRUCT_BODIES = {
    "add": "R(2) = (int64_t)(int32_t)(R(4) + R(5));",
    "count_up": "STORE32(R(4), LOAD32(R(4)) + 1);",
    "divide": "g->lo = (int32_t)R(4) / (int32_t)R(5);",
    "spoil_zero": "R(0) = 7; R(2) = R(0);",
    "double_words": "for (int i = 0; i < 32; i++) g->word[i] *= 2; g->hi = g->lo; g->fcsr = 0x01000003;",
    "store_byte": "AT(R(4)) = R(5);",
    "store_unsubtracted": "m[R(4)] = 1;",
    "spin": "volatile int on = 1; while (on) {}",
    "sleep_on": "for (;;) usleep(100000);",
    "sink": "volatile char frame[200]; frame[0] = 1; sink(g, m); R(2) = frame[0];",
    "smash": "char frame[8]; memset(frame + R(4), 0x55, R(5)); R(2) = frame[R(4)];",
    "give_up": 'fprintf(stderr, "no such wheel\\n"); abort();',
    "leave": "exit(3);",
    "null": "*(volatile int *)8 = 1;",
    "impossible_address": "*(volatile int *)0x8000000000000000 = 1;",
    "trap": "__builtin_trap();",
    "remember": "R(2) = seen_before++;",
    "remember_and_crash": "seen_before = 5; *(volatile int *)8 = 1;",
    "dirty_rounding": "fesetround(FE_TOWARDZERO);",
    "third": "volatile double one = 1, three = 3; double third = one / three; memcpy(&R(2), &third, 8);",
    "print": 'printf("wheel %d\\n", (int)R(4));',
    "kill_itself": "kill(getpid(), SIGKILL);",
    "uninitialised": "volatile int local[64]; R(2) = (uint32_t)local[17];",
}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    build = project(
        tmp_path_factory.mktemp("struct"), STRUCT, STRUCT_BODIES, compiler="gcc -O1 -fno-stack-protector -w"
    )
    made = Bench(build, STRUCT_BODIES, missing=("never_translated",))
    yield made
    made.engine.close()


def run(bench: Bench, name: str, data: bytes = b"", **registers: int) -> Outcome:
    bench.load(name)
    return bench.engine.run(bench.state(data, **registers), fuel=1000)


def assert_the_next_run_works(bench: Bench) -> None:
    after = run(bench, "add", r4=2, r5=3).after
    assert after is not None and after.gpr[2] == 5


def test_a_good_function_returns_its_registers_and_the_others_stay(bench: Bench) -> None:
    outcome = run(bench, "add", r4=0x7FFF_FFFF, r5=1)
    before = bench.state(r4=0x7FFF_FFFF, r5=1)
    assert outcome.stop is StopKind.RETURNED
    assert outcome.after is not None
    assert outcome.after.gpr == (0, 0x101, 0xFFFF_FFFF_8000_0000, *before.gpr[3:])
    assert (outcome.after.hi, outcome.after.lo, outcome.after.fcsr) == (1, 2, 3)
    assert outcome.after.fpr == before.fpr
    assert outcome.after.pc is None


def test_memory_is_read_and_written_in_guest_order(bench: Bench) -> None:
    after = run(bench, "count_up", data=b"\x00\x00\x01\xff", r4=DATA).after
    assert after is not None
    assert after.memory[1].data[:8] == b"\x00\x00\x02\x00" + bytes(4)


def test_regions_that_stay_as_they_were_are_the_same_objects(bench: Bench) -> None:
    bench.load("add")
    before = bench.state(data=b"quay")
    after = bench.engine.run(before, 1000).after
    assert after is not None
    assert all(new is old for new, old in zip(after.memory, before.memory, strict=True))


def test_paired_fpr_words_hi_lo_and_fcsr_are_carried_both_ways(bench: Bench) -> None:
    after = run(bench, "double_words").after
    assert after is not None
    assert after.fpr == tuple(2 * n for n in range(0x200, 0x220))
    assert (after.hi, after.lo, after.fcsr) == (2, 2, 0x0100_0003)


def test_register_zero_starts_at_zero_and_is_not_read_back(bench: Bench) -> None:
    for _ in range(2):
        after = run(bench, "spoil_zero").after
        assert after is not None
        assert (after.gpr[0], after.gpr[2]) == (0, 7)


@pytest.mark.parametrize(("dividend", "divisor"), [(6, 0), (0xFFFF_FFFF_8000_0000, 0xFFFF_FFFF_FFFF_FFFF)])
def test_a_host_division_that_the_host_refuses_is_a_crash(bench: Bench, dividend: int, divisor: int) -> None:
    outcome = run(bench, "divide", r4=dividend, r5=divisor)
    assert outcome.stop is StopKind.CRASH
    assert outcome.after is None
    assert outcome.detail.startswith("host division by zero")
    assert outcome.detail.endswith("in divide")
    assert_the_next_run_works(bench)


@pytest.mark.parametrize("address", [NOWHERE, DATA - 1, DATA + 0x1000, 0x1234, 0xFFFF_FFFF_FFFF_FFFF])
def test_a_write_outside_the_regions_is_wild_at_its_guest_address(bench: Bench, address: int) -> None:
    outcome = run(bench, "store_byte", r4=address, r5=1)
    assert (outcome.stop, outcome.fault_address) == (StopKind.WILD, address)
    assert_the_next_run_works(bench)


@pytest.mark.parametrize("address", [FIXED, CODE])
def test_a_write_to_read_only_memory_is_wild(bench: Bench, address: int) -> None:
    outcome = run(bench, "store_byte", r4=address, r5=1)
    assert (outcome.stop, outcome.fault_address) == (StopKind.WILD, address)
    assert_the_next_run_works(bench)


def test_a_guest_address_used_without_its_base_is_wild_and_says_so(bench: Bench) -> None:
    outcome = run(bench, "store_unsubtracted", r4=DATA)
    assert outcome.stop is StopKind.WILD
    assert "wrongly extended" in outcome.detail


def test_an_endless_loop_is_a_hang(bench: Bench) -> None:
    outcome = run(bench, "spin")
    assert (outcome.stop, outcome.after) == (StopKind.HANG, None)
    assert_the_next_run_works(bench)


def test_c_that_waits_without_using_the_processor_is_a_hang(bench: Bench) -> None:
    started = time.monotonic()
    assert run(bench, "sleep_on").stop is StopKind.HANG
    assert time.monotonic() - started < 20
    assert_the_next_run_works(bench)


def test_recursion_without_end_is_a_crash_by_stack_overflow(bench: Bench) -> None:
    outcome = run(bench, "sink")
    assert outcome.stop is StopKind.CRASH
    assert "stack overflow" in outcome.detail
    assert_the_next_run_works(bench)


def test_a_frame_overrun_far_upwards_is_a_crash(bench: Bench) -> None:
    outcome = run(bench, "smash", r4=0, r5=0x10000)
    assert outcome.stop is StopKind.CRASH
    assert "stack overrun" in outcome.detail
    assert_the_next_run_works(bench)


def test_an_overwritten_return_address_is_a_crash(bench: Bench) -> None:
    assert run(bench, "smash", r4=0, r5=64).stop is StopKind.CRASH
    assert_the_next_run_works(bench)


def test_abort_is_a_crash_with_the_words_of_the_c(bench: Bench) -> None:
    outcome = run(bench, "give_up")
    assert (outcome.stop, outcome.detail) == (StopKind.CRASH, "abort(); it printed: no such wheel")
    assert_the_next_run_works(bench)


def test_exit_is_a_crash_with_its_status(bench: Bench) -> None:
    outcome = run(bench, "leave")
    assert outcome.stop is StopKind.CRASH
    assert outcome.detail == "the C ended its process with exit status 3"
    assert_the_next_run_works(bench)


def test_a_null_pointer_is_a_crash_with_its_address_and_function(bench: Bench) -> None:
    outcome = run(bench, "null")
    assert (outcome.stop, outcome.detail) == (StopKind.CRASH, "SIGSEGV: write to host address 0x8, in null")
    assert_the_next_run_works(bench)


def test_an_address_that_no_pointer_can_have_is_a_crash(bench: Bench) -> None:
    assert run(bench, "impossible_address").stop is StopKind.CRASH
    assert_the_next_run_works(bench)


def test_a_trap_of_the_compiler_is_a_crash(bench: Bench) -> None:
    outcome = run(bench, "trap")
    assert outcome.stop is StopKind.CRASH
    assert "a trap that the compiler put in" in outcome.detail
    assert_the_next_run_works(bench)


def test_a_function_that_the_c_lacks_is_unsupported_with_the_reason(bench: Bench) -> None:
    outcome = run(bench, "never_translated")
    assert (outcome.stop, outcome.detail) == (StopKind.UNSUPPORTED, MISSING)


def test_globals_of_the_c_start_each_call_as_they_were_loaded(bench: Bench) -> None:
    for _ in range(3):
        after = run(bench, "remember").after
        assert after is not None and after.gpr[2] == 0
    assert run(bench, "remember_and_crash").stop is StopKind.CRASH
    after = run(bench, "remember").after
    assert after is not None and after.gpr[2] == 0


def test_a_rounding_mode_left_behind_is_told_and_does_not_reach_the_next_call(bench: Bench) -> None:
    third = 0x3FD5_5555_5555_5555  # 1/3 rounded to nearest, IEEE 754 binary64
    outcome = run(bench, "dirty_rounding")
    assert outcome.stop is StopKind.RETURNED
    assert "rounding mode" in outcome.detail
    outcome = run(bench, "third")
    assert outcome.after is not None and outcome.after.gpr[2] == third
    assert outcome.detail == ""


def test_what_a_call_printed_is_told_and_only_what_it_printed(bench: Bench) -> None:
    assert run(bench, "print", r4=7).detail == "printed: wheel 7"
    assert run(bench, "print", r4=8).detail == "printed: wheel 8"
    assert run(bench, "add").detail == ""


def test_uninitialised_locals_repeat_from_call_to_call(bench: Bench) -> None:
    first = run(bench, "uninitialised").after
    run(bench, "count_up", r4=DATA)
    second = run(bench, "uninitialised").after
    assert first is not None and second is not None
    assert first.gpr[2] == second.gpr[2] != 0


def test_code_that_the_state_leaves_out_can_be_read(bench: Bench) -> None:
    bench.load("count_up")
    whole = bench.state(r4=CODE)
    from_state = bench.engine.run(replace(whole, memory=whole.memory[1:]), 1000)
    assert (from_state.stop, from_state.fault_address) == (StopKind.WILD, CODE + 0)
    assert "write" in from_state.detail  # the load before the store went through


def test_many_regions_and_large_ones_fit(bench: Bench) -> None:
    bench.load("count_up")
    state = bench.state(data=bytes(6 << 20), r4=DATA + (5 << 20))
    moved = replace(state, memory=state.memory[:2])
    after = bench.engine.run(moved, 1000).after
    assert after is not None
    assert after.memory[1].data[5 << 20 :][:4] == b"\0\0\0\1"
    assert_the_next_run_works(bench)


def test_a_copy_made_by_fork_runs_its_own_worker(bench: Bench) -> None:
    assert_the_next_run_works(bench)
    child = os.fork()
    if child == 0:
        after = run(bench, "add", r4=20, r5=3).after
        os._exit(after.gpr[2] or 0 if after is not None else 99)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 23
    assert_the_next_run_works(bench)


def test_an_interrupted_wait_does_not_give_the_next_call_an_old_answer(bench: Bench) -> None:
    bench.load("spin")
    worker = bench.engine._live_worker()
    worker._process.busy = True  # as an exception during the wait leaves it
    assert_the_next_run_works(bench)


def test_a_worker_killed_by_its_own_call_is_a_crash(bench: Bench) -> None:
    outcome = run(bench, "kill_itself")
    assert (outcome.stop, outcome.detail) == (StopKind.CRASH, "the process was killed by SIGKILL")
    assert_the_next_run_works(bench)


def test_a_worker_that_the_host_killed_between_calls_is_replaced(bench: Bench) -> None:
    assert_the_next_run_works(bench)
    child = bench.engine._live_worker()._process._child
    child.kill()
    child.wait()
    assert_the_next_run_works(bench)


def test_a_region_off_the_pages_is_a_fault_of_the_harness_and_no_finding(bench: Bench) -> None:
    bench.load("add")
    state = bench.state()
    with pytest.raises(HarnessError, match="cannot open a guest region"):
        bench.engine.run(replace(state, memory=(Region(DATA + 8, bytes(PAGE), writable=True),)), 1000)
    assert_the_next_run_works(bench)


def test_a_library_that_does_not_load_is_for_the_user_to_mend(tmp_path: Path) -> None:
    bodies = {"add": '} __attribute__((constructor)) static void up(void) { puts("no sea today"); exit(5);'}
    made = Bench(project(tmp_path, STRUCT, bodies), bodies)
    with pytest.raises(UsageError, match="cannot be loaded: got no sea today"):
        run(made, "add")


def test_a_library_that_never_finishes_loading_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.translated.worker._START_SECONDS", 0.5)
    bodies = {"add": "} __attribute__((constructor)) static void up(void) { for (;;) usleep(1000);"}
    made = Bench(project(tmp_path, STRUCT, bodies), bodies)
    with pytest.raises(UsageError, match="cannot be loaded: got no end after"):
        run(made, "add")


GLOBALS_BODIES = {
    "negative": "R(2) = (int32_t)0x80000000; R(3) = R(4);",
    "count_up": "STORE32(R(4), LOAD32(R(4)) + 1);",
    "store_byte": "AT(R(4)) = R(5);",
    "read_fixed": "R(2) = AT(R(4)) << 8 | AT(R(4) + 1);",
}


@pytest.fixture(scope="module")
def swapped(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    made = Bench(project(tmp_path_factory.mktemp("globals"), GLOBALS, GLOBALS_BODIES), GLOBALS_BODIES)
    yield made
    made.engine.close()


def test_four_byte_registers_are_read_back_sign_extended(swapped: Bench) -> None:
    after = run(swapped, "negative", r4=0x1234_5678).after
    assert after is not None
    assert (after.gpr[2], after.gpr[3]) == (0xFFFF_FFFF_8000_0000, 0x1234_5678)


def test_registers_that_are_not_bound_are_none(swapped: Bench) -> None:
    after = run(swapped, "negative").after
    assert after is not None
    assert (after.hi, after.lo, after.fcsr, after.fpr) == (None, None, None, (None,) * 32)


def test_word_swapped_memory_is_in_guest_order_outside_the_c(swapped: Bench) -> None:
    for _ in range(2):
        after = run(swapped, "count_up", data=b"\x00\x00\x01\xff\xaa\xbb\xcc\xdd", r4=DATA).after
        assert after is not None
        assert after.memory[1].data[:12] == b"\x00\x00\x02\x00\xaa\xbb\xcc\xdd" + bytes(4)


def test_bytes_of_word_swapped_memory_are_where_the_guest_has_them(swapped: Bench) -> None:
    after = run(swapped, "store_byte", r4=DATA + 5, r5=0xEE).after
    assert after is not None
    assert after.memory[1].data[:8] == b"\0\0\0\0\0\xee\0\0"


def test_read_only_word_swapped_memory_reads_the_same_in_every_run(swapped: Bench) -> None:
    for _ in range(3):
        after = run(swapped, "read_fixed", r4=FIXED).after
        assert after is not None and after.gpr[2] == 0x1122
        run(swapped, "store_byte", r4=NOWHERE)


def test_a_wild_write_does_not_change_word_swapped_memory_of_the_next_run(swapped: Bench) -> None:
    data = b"\x01\x02\x03\x04"
    assert run(swapped, "store_byte", data=data, r4=NOWHERE).stop is StopKind.WILD
    after = run(swapped, "negative", data=data).after
    assert after is not None and after.memory[1].data[:4] == data
