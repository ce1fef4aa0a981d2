"""The reference leg."""

from __future__ import annotations

from dataclasses import replace

import pytest
from conformance import CASES, Call, Case, check
from conformance_model import CODE, DATA, NOWHERE, RETURN, code_region, state_before, target

from harness.engines.base import RETURN_ADDRESS, GuestEvent, Outcome, StopKind
from harness.engines.reference import Reference


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_reference_conforms(case: Case) -> None:
    check(Reference(), case)


def outcome(call: Call) -> Outcome:
    engine = Reference()
    code = code_region(call)
    engine.load(target(call, code))
    return engine.run(state_before(call, code), call.fuel)


def test_a_return_is_at_the_return_address_after_so_many_instructions() -> None:
    result = outcome(Call("24020001 addiu v0,zero,1" + RETURN))
    assert result.at == RETURN_ADDRESS
    assert result.after is not None
    assert result.after.pc == RETURN_ADDRESS
    assert result.steps == 3


def test_a_trap_says_where_it_was_and_where_the_access_went() -> None:
    result = outcome(Call("24020001 addiu v0,zero,1; 8c830004 lw v1,4(a0)" + RETURN, {"a0": NOWHERE}))
    assert (result.trap, result.at, result.fault_address) == ("tlb-load", CODE + 4, NOWHERE + 4)


def test_coverage_holds_what_ran_and_which_way_branches_went() -> None:
    # bgtz a0,+2; nop; addiu v0,v0,1; jr ra; nop
    listing = "1c800002 bgtz a0,x; 00000000 nop; 24420001 addiu v0,v0,1" + RETURN
    taken = outcome(Call(listing, {"a0": 1})).coverage
    assert taken is not None
    assert taken.instructions == {CODE, CODE + 4, CODE + 12, CODE + 16}
    assert taken.edges == {(CODE, True)}
    other = outcome(Call(listing, {"a0": 0})).coverage
    assert other is not None
    assert other.instructions == {CODE, CODE + 4, CODE + 8, CODE + 12, CODE + 16}
    assert other.edges == {(CODE, False)}


def test_what_the_manual_leaves_open_is_an_event_with_its_place() -> None:
    result = outcome(Call("00000000 nop; 0085001a div zero,a0,a1" + RETURN, {"a0": 7, "a1": 0}))
    assert result.stop is StopKind.RETURNED
    assert result.events == (GuestEvent("division-by-zero", CODE + 4),)


def test_upper_halves_that_are_open_are_named_with_fr_set_only() -> None:
    listing = "44841800 mtc1 a0,$f3; 44842800 mtc1 a0,$f5; 44a42800 dmtc1 a0,$f5" + RETURN
    assert outcome(Call(listing)).open_halves == {3}
    assert outcome(Call("44841800 mtc1 a0,$f3" + RETURN, fr=False)).open_halves == frozenset()


def test_code_that_shares_a_page_with_data_runs() -> None:
    call = Call("ac850800 sw a1,2048(a0)" + RETURN, {"a0": CODE, "a1": 7})
    code = replace(code_region(call), writable=True)
    engine = Reference()
    engine.load(target(call, code))
    result = engine.run(state_before(call, code), 100)
    assert result.stop is StopKind.RETURNED
    assert result.after is not None
    assert result.after.memory[0].data[0x800:0x804] == bytes((0, 0, 0, 7))


def test_read_only_memory_that_is_no_code_does_not_run() -> None:
    result = outcome(Call("00800008 jr a0; 00000000 nop", {"a0": DATA}, data_writable=False))
    assert (result.stop, result.trap) == (StopKind.TRAP, "tlb-fetch")
