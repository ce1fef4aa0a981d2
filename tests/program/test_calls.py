"""What is read off a function's code without running it."""

from __future__ import annotations

from pathlib import Path

from harness.engines.base import PAGE, Region
from harness.program.calls import calls_of, reached_from
from harness.program.model import Function, Program

BASE = 0xFFFF_FFFF_8000_1000


def program(*functions: tuple[str, list[int]]) -> Program:
    """A program of functions one after the other, each given as its words."""
    code = b""
    listed = []
    for name, words in functions:
        listed.append(Function(name, BASE + len(code), 4 * len(words)))
        code += b"".join(word.to_bytes(4, "big") for word in words)
    region = Region(BASE, code.ljust(PAGE, b"\0"), writable=False)
    return Program(Path("clock.elf"), (region,), (region,), tuple(listed), gp=0, entry=BASE)


def test_direct_calls_and_jumps_out_are_found_and_returns_are_not() -> None:
    caller = [
        0x0C00_0406,  # jal 80001018
        0x1000_0001,  # b to the next but one: inside
        0x0411_0005,  # bgezal zero: a call of 80001020
        0x0800_0408,  # j 80001020
        0x03E0_0008,  # jr ra
        0,
    ]
    clock = program(("caller", caller), ("first", [0, 0]), ("second", [0]))
    calls = calls_of(clock, clock.functions[0])
    assert calls.callees == (BASE + 0x18, BASE + 0x20)
    assert calls.tail_calls == (BASE + 0x20,)
    assert (calls.indirect_calls, calls.indirect_jumps, calls.reserved) == ((), (), ())


def test_calls_and_jumps_through_registers_are_told_apart() -> None:
    clock = program(("f", [0x0320_F809, 0, 0x0100_0008, 0, 0x7000_0002]))  # jalr t9; jr t0; a word that is reserved
    calls = calls_of(clock, clock.functions[0])
    assert (calls.indirect_calls, calls.indirect_jumps, calls.reserved) == ((BASE,), (BASE + 8,), (BASE + 16,))


def test_functions_that_call_each_other_are_reached_once() -> None:
    clock = program(
        ("even", [0x0C00_0402, 0]),  # jal odd
        ("odd", [0x0C00_0400, 0x0C00_0404]),  # jal even; jal leaf
        ("leaf", [0x03E0_0008, 0]),
        ("alone", [0x03E0_0008, 0]),
    )
    assert [function.name for function in reached_from(clock, clock.functions[0])] == ["even", "odd", "leaf"]
    assert [function.name for function in reached_from(clock, clock.functions[3])] == ["alone"]
