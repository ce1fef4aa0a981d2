"""The route round Unicorn's faults: what is planned for a program, and that the leg keeps to it."""

from __future__ import annotations

from dataclasses import replace

import pytest
from conformance_model import CODE, DATA, RETURN, Call, code_region, state_before, target

from harness.engines.base import PAGE, Outcome, Region, StopKind, Target
from harness.engines.guard import Route, plan_route
from harness.engines.unicorn import Unicorn
from harness.errors import HarnessError

TRUNC_L = "4620a089 trunc.l.d $f2,$f20"


NOP = "00000000 sll zero,zero,0x0"


def plan(listing: str, fr: bool = True) -> Route:
    return plan_route((code_region(Call(listing)),), fr)


def outcome(call: Call) -> Outcome:
    engine = Unicorn()
    code = code_region(call)
    engine.load(target(call, code))
    return engine.run(state_before(call, code), call.fuel)


@pytest.mark.parametrize(("fr", "status"), [(True, 0x2400_0000), (False, 0x2000_0000)])
def test_programs_run_on_the_r4000_with_the_fr_bit_in_status(fr: bool, status: int) -> None:
    route = plan(NOP + RETURN, fr)
    assert (route.model, route.status) == ("R4000", status)


def test_conversions_of_64_bit_integers_need_the_vr5432() -> None:
    assert (plan(TRUNC_L + RETURN).model, plan(TRUNC_L + RETURN).status) == ("VR5432", 0xB400_0000)


def test_conversions_of_64_bit_integers_are_unsupported_with_fr_clear() -> None:
    result = outcome(Call(TRUNC_L + RETURN, fr=False))
    assert result.stop is StopKind.UNSUPPORTED
    assert result.after is None
    assert result.detail == "trunc.l.d with FR=0 at ffffffff80001000: no processor model of Unicorn runs it"


def test_what_is_unsupported_and_not_reached_does_no_harm() -> None:
    assert outcome(Call(RETURN[2:] + "; " + TRUNC_L, fr=False)).stop is StopKind.RETURNED


@pytest.mark.parametrize(("length", "counted"), [(150, False), (360, True), (3000, True)])
def test_instructions_are_counted_only_where_a_run_is_long(length: int, counted: bool) -> None:
    assert plan("; ".join(["24420001 addiu v0,v0,1"] * length) + RETURN).counted is counted


ADD_1 = "24420001 addiu v0,v0,1"


@pytest.mark.parametrize("length", [359, 361, 3000])
def test_a_long_block_between_branches_of_a_loop_runs_right(length: int) -> None:
    """Three rounds of a loop whose body is longer than what kills an engine that is not counted."""
    body = "; ".join([ADD_1] * length)
    back = (-length - 2) & 0xFFFF
    loop = f"{body}; 2484ffff addiu a0,a0,-1; 1480{back:04x} bne a0,zero,x; 00000000 nop"
    call = Call(loop + RETURN, {"a0": 3, "v0": 0})
    result = outcome(call)
    assert result.stop is StopKind.RETURNED
    assert result.after is not None and result.after.gpr[2] == 3 * length


@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("4620a0a5 cvt.l.d $f2,$f20", 3),
        ("4620a089 trunc.l.d $f2,$f20", 2),
        ("4620a08a ceil.l.d $f2,$f20", 3),
        ("4620a08b floor.l.d $f2,$f20", 2),
        ("4620a088 round.l.d $f2,$f20", 3),
    ],
)
def test_a_conversion_to_64_bit_integers_gives_its_result(word: str, value: int) -> None:
    result = outcome(Call(word + RETURN, {"f20": 0x4005_0000_0000_0000, "fcsr": 0}))  # 2.625
    assert result.after is not None and result.after.fpr[2] == value


def test_a_program_with_both_long_blocks_and_conversions_takes_both_precautions() -> None:
    route = plan("; ".join([ADD_1] * 400 + [TRUNC_L]) + RETURN)
    assert (route.model, route.counted) == ("VR5432", True)


#: MIPS IV and later; each would run on a model that we use (see ``faults.opcodes``), or might on another version.
LATER = [
    "0085100a movz v0,a0,a1", "0085100b movn v0,a0,a1", "00801001 movf v0,a0,$fcc0", "cc800000 pref 0x0,0(a0)",
    "4c8830a0 madd.s $f2,$f4,$f6,$f8", "4ca40080 lwxc1 $f2,a0(a1)", "45040001 bc1f $fcc1,x", "46002095 recip.s $f2,$f4",
    "46052092 movz.s $f2,$f4,a1", "46062132 c.eq.s $fcc1,$f4,$f6", "70851002 mul v0,a0,a1", "00241042 rotr v0,a0,0x1",
    "7c831000 ext v1,a0,0x0,0x3", "70801020 clz v0,a0",
]  # fmt: skip


@pytest.mark.parametrize("program", ["", "; " + TRUNC_L], ids=["R4000", "VR5432"])
@pytest.mark.parametrize("listing", LATER)
def test_an_instruction_of_a_later_architecture_stops_the_run_before_it(listing: str, program: str) -> None:
    result = outcome(Call("24020007 addiu v0,zero,7; " + listing + RETURN + program))
    expected = "unimplemented-operation" if listing.startswith("46") else "reserved-instruction"
    assert (result.stop, result.trap) == (StopKind.TRAP, expected)
    assert result.after is not None and result.after.gpr[2] == 7


@pytest.mark.parametrize("word", ["c8820000 lwc2", "f8820000 sdc2", "48020000 mfc2"])
def test_an_instruction_of_the_absent_coprocessor_2_finds_it_unusable(word: str) -> None:
    assert outcome(Call(word + RETURN)).trap == "coprocessor-unusable"


def test_the_zeros_that_fill_a_page_are_no_long_run() -> None:
    assert not plan(RETURN[2:]).counted


def test_a_jump_into_the_zeros_that_fill_a_page_traps_as_running_off_the_code_does() -> None:
    result = outcome(Call("00800008 jr a0; 00000000 sll zero,zero,0x0", before={"a0": CODE + 0x800}))
    assert (result.stop, result.trap) == (StopKind.TRAP, "tlb-fetch")


def test_words_that_are_no_instruction_share_a_wire() -> None:
    listing = RETURN[2:] + "; 7c000000 x; 7c000000 x; 7c000000 x"
    traps = [wire for wire in plan(listing).wires if wire.trap == "reserved-instruction"]
    assert [(wire.first - CODE, wire.last - CODE) for wire in traps] == [(8, 16)]


def test_every_register_jump_is_watched() -> None:
    jumps = [wire.first - CODE for wire in plan("00000000 nop; 0320f809 jalr t9; 00000000 nop" + RETURN).wires]
    assert jumps[:2] == [4, 12]


@pytest.mark.parametrize(
    ("listing", "before", "stop"),
    [
        ("40026000 mfc0 v0,$12; 30420001 andi v0,v0,0x1; 40826000 mtc0 v0,$12", {}, StopKind.UNSUPPORTED),
        ("40026000 mfc0 v0,$12; 34420001 ori v0,v0,0x1; 40826000 mtc0 v0,$12", {}, StopKind.RETURNED),
        ("40024800 mfc0 v0,$9", {}, StopKind.UNSUPPORTED),
        ("40825800 mtc0 v0,$11", {}, StopKind.UNSUPPORTED),
    ],
    ids=["other bits of status", "interrupt bits", "a counter", "a timer"],
)
def test_of_coprocessor_0_only_the_interrupt_bits_of_status_are_supported(
    listing: str, before: dict[str, int], stop: StopKind
) -> None:
    assert outcome(Call(listing + RETURN, before, None)).stop is stop


def test_code_that_shares_a_page_with_data_runs_and_can_be_written_next_to() -> None:
    call = Call("ac850800 sw a1,2048(a0)" + RETURN, {"a0": CODE, "a1": 7})
    code = replace(code_region(call), writable=True)
    engine = Unicorn()
    engine.load(target(call, code))
    for _ in range(2):
        result = engine.run(state_before(call, code), 100)
        assert result.stop is StopKind.RETURNED
        assert result.after is not None
        assert result.after.memory[0].data[0x800:0x804] == bytes((0, 0, 0, 7))


def test_one_instance_serves_all_functions_of_a_program() -> None:
    call = Call("24020001 addiu v0,zero,1" + RETURN + "; 24020002 addiu v0,zero,2" + RETURN)
    code = code_region(call)
    first = target(call, code)
    second = Target("second", CODE + 12, 12, first.code, first.fr)
    engine = Unicorn()
    results = []
    for one in (first, second, first):
        engine.load(one)
        after = engine.run(state_before(call, code), 100).after
        results.append(after.gpr[2] if after is not None else None)
    assert results == [1, 2, 1]


def test_memory_that_needs_the_tlb_is_unsupported() -> None:
    call = Call(RETURN[2:])
    code = code_region(call)
    state = state_before(call, code)
    low = replace(state, memory=(Region(0x1000, bytes(PAGE), writable=True), *state.memory))
    engine = Unicorn()
    engine.load(target(call, code))
    result = engine.run(low, 100)
    assert (result.stop, result.detail) == (
        StopKind.UNSUPPORTED,
        "memory at 0000000000001000 would need the TLB",
    )


def test_regions_that_overlap_are_a_fault_of_the_harness() -> None:
    call = Call(RETURN[2:])
    code = code_region(call)
    state = state_before(call, code)
    across = replace(state, memory=(*state.memory, Region(DATA - PAGE, bytes(2 * PAGE), True, "across")))
    alias = replace(state, memory=(*state.memory, Region(DATA + 0x2000_0000, bytes(PAGE), True, "alias")))
    engine = Unicorn()
    engine.load(target(call, code))
    for wrong in (alias, across):
        with pytest.raises(HarnessError):
            engine.run(wrong, 100)


def test_a_state_of_the_wrong_fr_bit_is_a_fault_of_the_harness() -> None:
    call = Call(RETURN[2:])
    code = code_region(call)
    engine = Unicorn()
    engine.load(target(call, code))
    with pytest.raises(HarnessError, match="FR bit"):
        engine.run(state_before(replace(call, fr=False), code), 100)


def test_a_wild_jump_is_seen_before_its_slot_so_that_nothing_is_said_of_what_it_left() -> None:
    """The chip runs the slot before it fetches: what Unicorn holds at the jump is not the state after the stop."""
    result = outcome(Call("0320f809 jalr t9; 24040001 addiu a0,zero,1" + RETURN, before={"t9": 0}))
    assert (result.stop, result.trap, result.after) == (StopKind.TRAP, "tlb-fetch", None)
