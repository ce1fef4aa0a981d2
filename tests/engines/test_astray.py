"""A pointer that was drawn may lead anywhere; where the C of a program has no place for it, a state does not count.

A C function can be entered at its beginning and left at its calls: that is how C is, whoever translates.
"""

from __future__ import annotations

from harness.abi import ABIS
from harness.compare import Result, Rules, judge_references
from harness.config import Scope
from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Region, StopKind, Target
from harness.engines.reference import Reference
from harness.program.assembly import encode
from harness.verdicts import Discard

CODE = 0xFFFF_FFFF_8000_1000
STACK = 0xFFFF_FFFF_8004_0000
V0, A0, SP, RA = 2, 4, 29, 31
NOP = 0

#: return a0();
CALLER = (
    encode("addiu", t=SP, s=SP, i=-16),
    encode("sw", t=RA, s=SP),
    encode("jalr", d=RA, s=A0),
    NOP,
    encode("lw", t=RA, s=SP),
    encode("jr", s=RA),
    encode("addiu", t=SP, s=SP, i=16),
)
#: switch (...) by a jump to a0, with two places to jump to
SWITCH = (
    encode("jr", s=A0),
    NOP,
    encode("jr", s=RA),
    encode("addiu", t=V0, i=1),
)
#: v0 = 1; v0 += 2; return v0;
CALLEE = (encode("addiu", t=V0, i=1), encode("addiu", t=V0, s=V0, i=2), encode("jr", s=RA), NOP)
FUNCTIONS = {"caller": CALLER, "switch": SWITCH, "callee": CALLEE}


def starts() -> dict[str, int]:
    addresses, at = {}, CODE
    for name, words in FUNCTIONS.items():
        addresses[name] = at
        at += 4 * len(words)
    return addresses


def judged(function: str, a0: int) -> str:
    """Why a state does not count, by a run of the reference; empty for one that does."""
    words = (word for one in FUNCTIONS.values() for word in one)
    code = Region(CODE, b"".join(word.to_bytes(4, "big") for word in words).ljust(PAGE, b"\0"), writable=False)
    at = starts()
    names = {address: name for name, address in at.items()}
    target = Target(function, at[function], 4 * len(FUNCTIONS[function]), (code,), True, names)
    gpr = [0] * 32
    gpr[A0], gpr[SP], gpr[RA] = a0, STACK + PAGE, RETURN_ADDRESS
    stack = Region(STACK, bytes(2 * PAGE), writable=True)
    before = MachineState(at[function], tuple(gpr), 0, 0, (0,) * 32, 0, True, (code, stack))
    reference = Reference()
    reference.load(target)
    outcome = reference.run(before, 1000)
    assert outcome.stop is StopKind.RETURNED
    decided = judge_references(before, [("reference", outcome)], Rules(Scope.ALL, ABIS["n32"]))
    assert decided is None or decided.result is Result.DISCARDED
    return decided.reason if decided else ""


def test_a_call_into_the_middle_of_a_function_is_counted_under_a_reason_of_its_own() -> None:
    assert judged("caller", starts()["callee"] + 4) == Discard.ASTRAY


def test_a_jump_from_a_table_into_the_middle_of_another_function_too() -> None:
    assert judged("switch", starts()["callee"] + 4) == Discard.ASTRAY


def test_a_call_of_a_function_counts_and_so_does_its_return() -> None:
    assert judged("caller", starts()["callee"]) == ""


def test_a_jump_inside_of_a_function_counts() -> None:
    assert judged("switch", starts()["switch"] + 8) == ""
