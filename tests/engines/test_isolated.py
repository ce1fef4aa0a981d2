"""Isolated callees: what the reference finds out about one, and how every other leg repeats it.

The callee is the second function of a small program; what it takes and leaves follows from its few instructions.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from conformance_model import CODE, DATA, NOWHERE, PATTERN

from harness.abi import ABIS
from harness.compare import Result, Rules, Scope, judge_references
from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Outcome, Region, Target
from harness.engines.outside import Boundary, Effect, Outside
from harness.engines.reference import Reference
from harness.engines.unicorn import Unicorn
from harness.program.assembly import encode

N32 = ABIS["n32"]
CALLEE = CODE + 0x40
STACK = 0xFFFF_FFFF_8005_0000
JAL = 0x0C00_0000 | CALLEE >> 2 & 0x03FF_FFFF
SEND = 0xFFFF_FFFF_8000_0400
V0, A0, A1, A2, T0, S0, SP, RA = 2, 4, 5, 6, 8, 16, 29, 31

#: Keeps ra in s0 and calls the callee once.
CALLER = (
    encode("or", d=S0, s=RA, t=0),
    JAL,
    encode("addiu", t=A2, s=0, imm=9),
    encode("jr", s=S0),
    encode("addiu", t=T0, s=0, imm=1),
)
JR_RA = (encode("jr", s=RA), 0)


def outside(*more: Boundary) -> Outside:
    return Outside(N32, {CALLEE: Boundary("callee", CALLEE, isolated=True), **{one.address: one for one in more}})


def target(callee: tuple[int, ...], around: Outside) -> Target:
    words = (*CALLER, *(0,) * (16 - len(CALLER)), *callee)
    code = b"".join(word.to_bytes(4, "big") for word in words).ljust(PAGE, b"\0")
    return Target("caller", CODE, 4 * len(CALLER), (Region(CODE, code, False, "code"),), True, {}, around)


def state(a0: int = DATA, a1: int = 5) -> MachineState:
    gpr = [0x0101_0101 * n for n in range(32)]
    gpr[A0], gpr[A1], gpr[SP], gpr[RA] = a0, a1, STACK, RETURN_ADDRESS
    memory = (
        Region(DATA, PATTERN.ljust(PAGE, b"\0"), writable=True, name="data"),
        Region(STACK - PAGE, bytes(2 * PAGE), writable=True, name="stack"),
    )
    return MachineState(CODE, tuple(gpr), 1, 2, (0x3FF0_0000_0000_0000,) * 32, 0, True, memory)


def both(callee: tuple[int, ...], before: MachineState, around: Outside | None = None) -> tuple[Outcome, Outcome]:
    """What the reference did, and Unicorn with what the reference found out."""
    legs = (Reference(), Unicorn())
    for leg in legs:
        leg.load(target(callee, around or outside()))
    first = legs[0].run(before, 1000)
    return first, legs[1].run(replace(before, effects=first.effects), 1000)


def effect(callee: tuple[int, ...]) -> Effect:
    (found,) = both(callee, state())[0].effects
    return found


def judged(before: MachineState, legs: tuple[Outcome, Outcome]) -> str:
    decided = judge_references(before, [("reference", legs[0]), ("unicorn", legs[1])], Rules(Scope.ALL, N32))
    assert decided is None or decided.result is Result.DISCARDED, decided
    return decided.reason if decided else "agree"


def test_what_a_callee_reads_and_leaves_is_its_effect() -> None:
    callee = (encode("lw", t=V0, s=A0, imm=4), encode("sh", t=A1, s=A0, imm=8), *JR_RA)
    assert effect(callee) == Effect(
        where="callee",
        reads=(("gpr", A0), ("gpr", A1)),
        looks=((DATA + 4, 4),),
        registers=((("gpr", V0), 0xFFFF_FFFF_C4D5_E6F7),),
        memory=((DATA + 8, b"\0\5"),),
    )


def test_saving_an_argument_is_no_use_of_it_and_loading_it_again_is() -> None:
    save = (encode("addiu", t=SP, s=SP, imm=-16), encode("sd", t=A0, s=SP, imm=0), encode("sd", t=A1, s=SP, imm=8))
    load = (encode("ld", t=V0, s=SP, imm=8), encode("addiu", t=SP, s=SP, imm=16))
    assert effect((*save, *load, *JR_RA)).reads == (("gpr", A1),)


def test_what_a_callee_wrote_before_it_read_it_is_no_part_of_what_it_sees() -> None:
    callee = (encode("sw", t=0, s=A0, imm=0), encode("lw", t=V0, s=A0, imm=0), *JR_RA)
    assert effect(callee).looks == ()


@pytest.mark.parametrize(
    "callee",
    [
        (encode("lw", t=V0, s=A0, imm=4), encode("sh", t=A1, s=A0, imm=8), *JR_RA),
        (encode("mult", s=A1, t=A1), encode("mflo", d=V0), *JR_RA),
        (encode("add.d", fd=0, fs=12, ft=14), *JR_RA),
    ],
    ids=["memory", "hi-lo", "floating"],
)
def test_another_leg_repeats_the_effect(callee: tuple[int, ...]) -> None:
    before = state()
    legs = both(callee, before)
    assert judged(before, legs) == "agree"
    assert legs[0].outside == legs[1].outside
    assert [event.where for event in legs[0].outside] == ["callee"]


def test_other_arguments_are_another_event() -> None:
    callee = (encode("addu", d=V0, s=A0, t=A1), *JR_RA)
    first, same = both(callee, state())
    leg = Unicorn()
    leg.load(target(callee, outside()))
    other = leg.run(replace(state(a1=6), effects=first.effects), 1000)
    assert first.outside[0].matches(same.outside[0])
    assert not first.outside[0].matches(other.outside[0])


def test_a_callee_that_traps_ends_the_state_for_every_leg() -> None:
    before = state(a0=NOWHERE)
    legs = both((encode("lw", t=V0, s=A0, imm=0), *JR_RA), before)
    assert (legs[0].trap, legs[0].in_callee, legs[0].effects) == ("tlb-load", True, ())
    assert judged(before, legs) == "guest trap:tlb-load"


def test_a_callee_that_does_not_end_uses_up_the_fuel() -> None:
    before = state()
    assert judged(before, both((encode("beq", s=0, t=0, imm=-1), 0), before)) == "instruction budget"


def test_what_a_callee_does_outside_is_no_event_of_its_caller() -> None:
    calls_out = (
        encode("or", d=T0 + 1, s=RA, t=0),
        0x0C00_0000 | SEND >> 2 & 0x03FF_FFFF,
        encode("sd", t=T0 + 1, s=SP, imm=-8),
        encode("ld", t=RA, s=SP, imm=-8),
        *JR_RA,
    )
    before = replace(state(), draws=3)
    legs = both(calls_out, before, outside(Boundary("port_send", SEND)))
    assert [event.where for event in legs[0].outside] == ["callee"]
    assert judged(before, legs) == "agree"


def test_a_leg_that_calls_once_more_has_no_effect_to_repeat() -> None:
    callee = (encode("addu", d=V0, s=A0, t=A1), *JR_RA)
    leg = Unicorn()
    leg.load(target(callee, outside()))
    outcome = leg.run(state(), 1000)
    assert [str(event) for event in outcome.outside] == ["callee()"]


def test_the_steps_of_a_replay_lead_through_the_callee() -> None:
    reference = Reference()
    callee = (encode("lw", t=V0, s=A0, imm=4), *JR_RA)
    reference.load(target(callee, outside()))
    addresses = [step.address for step in reference.steps(state(), 1000)]
    assert addresses == [CODE, CODE + 4, CODE + 8, CALLEE, CALLEE + 4, CALLEE + 8, CODE + 12, CODE + 16]
