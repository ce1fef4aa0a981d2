"""Integer rows (``ops_alu``, ``ops_shift``, ``ops_muldiv``) against tables derived by hand.

Expectations follow the instruction descriptions of the R4000 User's Manual, 2nd ed., App. A. Every case of a row with
a destination runs three times: into a register of its own, into register 0, and into the register of its operands
where these are equal.
"""

from __future__ import annotations

import pytest
from guest_runs import run
from integer_tables import (
    IMMEDIATE,
    MAX32,
    MAX64,
    MIN32,
    MIN64,
    MULTIPLY_DIVIDE,
    SHIFTS,
    THREE_REGISTERS,
    VARIABLE_SHIFTS,
    WILD,
)

#: Rows that work on words; the others work on doublewords.
ON_WORDS = {
    *("add", "addi", "addiu", "addu", "sub", "subu", "mult", "multu", "div", "divu"),
    *("sll", "sllv", "sra", "srav", "srl", "srlv"),
}
AMOUNTS = {name: {0, 1, 31, 32, -1} if name in ON_WORDS else {0, 1, 32, 63, 64, -1} for name in VARIABLE_SHIFTS}


def test_every_table_has_the_corners_of_its_operands() -> None:
    """0, 1, -1 and both extremes; equal operands where two are read; immediates and amounts at their ends."""
    pairs = THREE_REGISTERS | {name: [case[:2] for case in cases] for name, cases in MULTIPLY_DIVIDE.items()}
    for name, entries in {**pairs, **IMMEDIATE, **SHIFTS, **VARIABLE_SHIFTS}.items():
        first, second = {entry[0] for entry in entries}, {entry[1] for entry in entries}
        corners = {0, 1, -1} | ({MIN32, MAX32} if name in ON_WORDS else {MIN64, MAX64})
        assert corners <= (first | second if name in pairs else first) or name == "lui", name
        assert {0, 1, 31} <= second or name not in SHIFTS, name
        assert AMOUNTS.get(name, set()) <= second, name
        assert name not in IMMEDIATE or (0xFFFF in second and {0x7FFF, 0x8000} & second), name
        assert name in IMMEDIATE or name in SHIFTS or any(entry[0] == entry[1] for entry in entries), name


def cases(table: dict[str, list[tuple[int, int, int]]]) -> list[tuple[str, int, int, int]]:
    return [(name, *case) for name, entries in table.items() for case in entries]


@pytest.mark.parametrize(("name", "s", "t", "expected"), cases(THREE_REGISTERS))
def test_three_register_operations(name: str, s: int, t: int, expected: int) -> None:
    assert run([f"{name} d=2 s=4 t=5"], {4: s, 5: t})[2] == expected
    assert run([f"{name} d=4 s=4 t=5"], {4: s, 5: t})[4] == expected
    assert run([f"{name} d=5 s=4 t=5"], {4: s, 5: t})[5] == expected
    assert run([f"{name} d=0 s=4 t=5"], {4: s, 5: t})[0] == 0
    if s == t:
        assert run([f"{name} d=4 s=4 t=4"], {4: s})[4] == expected
    if t == 0:
        assert run([f"{name} d=2 s=4 t=0"], {4: s})[2] == expected


@pytest.mark.parametrize(("name", "s", "immediate", "expected"), cases(IMMEDIATE))
def test_immediate_operations(name: str, s: int, immediate: int, expected: int) -> None:
    operand = "" if name == "lui" else "s=4"
    assert run([f"{name} t=2 {operand} i={immediate}"], {4: s})[2] == expected
    assert run([f"{name} t=4 {operand} i={immediate}"], {4: s})[4] == expected
    assert run([f"{name} t=0 {operand} i={immediate}"], {4: s})[0] == 0


@pytest.mark.parametrize(("name", "t", "amount", "expected"), cases(SHIFTS))
def test_immediate_shifts(name: str, t: int, amount: int, expected: int) -> None:
    assert run([f"{name} d=2 t=4 a={amount}"], {4: t})[2] == expected
    assert run([f"{name} d=4 t=4 a={amount}"], {4: t})[4] == expected
    assert run([f"{name} d=0 t=4 a={amount}"], {4: t})[0] == 0


@pytest.mark.parametrize(("name", "t", "s", "expected"), cases(VARIABLE_SHIFTS))
def test_variable_shifts(name: str, t: int, s: int, expected: int) -> None:
    assert run([f"{name} d=2 t=4 s=5"], {4: t, 5: s})[2] == expected
    assert run([f"{name} d=5 t=4 s=5"], {4: t, 5: s})[5] == expected
    assert run([f"{name} d=0 t=4 s=5"], {4: t, 5: s})[0] == 0
    if s == t:
        assert run([f"{name} d=4 t=4 s=4"], {4: t})[4] == expected


@pytest.mark.parametrize(
    ("name", "s", "t", "hi", "lo"), [(name, *case) for name, entries in MULTIPLY_DIVIDE.items() for case in entries]
)
def test_multiply_and_divide(name: str, s: int, t: int, hi: int, lo: int) -> None:
    after = run([f"{name} s=4 t=5"], {4: s, 5: t}, hi=99, lo=98)
    assert (after["hi"], after["lo"]) == (hi, lo)
    assert list(after.machine.events) == []
    if s == t:
        after = run([f"{name} s=4 t=4"], {4: s})
        assert (after["hi"], after["lo"]) == (hi, lo)


@pytest.mark.parametrize("value", [0, 1, -1, MAX64, MIN64, WILD])
def test_moves_between_general_registers_and_hi_lo(value: int) -> None:
    assert run(["mfhi d=2"], hi=value, lo=5)[2] == value
    assert run(["mflo d=2"], hi=5, lo=value)[2] == value
    assert run(["mfhi d=0"], hi=value)[0] == 0
    after = run(["mthi s=4"], {4: value}, hi=7, lo=8)
    assert (after["hi"], after["lo"]) == (value, 8)
    after = run(["mtlo s=4"], {4: value}, hi=7, lo=8)
    assert (after["hi"], after["lo"]) == (7, value)


# Signed overflow (R4K App. A): the sum or difference is not a number of the width.
@pytest.mark.parametrize(
    ("code", "s", "t"),
    [
        ("add d=2 s=4 t=5", MAX32, 1),
        ("add d=2 s=4 t=5", MIN32, -1),
        ("add d=0 s=4 t=5", MIN32, MIN32),
        ("addi t=2 s=4 i=1", MAX32, 0),
        ("addi t=0 s=4 i=-1", MIN32, 0),
        ("sub d=2 s=4 t=5", MIN32, 1),
        ("sub d=2 s=4 t=5", 0, MIN32),
        ("sub d=0 s=4 t=5", MAX32, -1),
        ("dadd d=2 s=4 t=5", MAX64, 1),
        ("dadd d=0 s=4 t=5", MIN64, MIN64),
        ("daddi t=2 s=4 i=1", MAX64, 0),
        ("daddi t=2 s=4 i=-1", MIN64, 0),
        ("dsub d=2 s=4 t=5", MIN64, 1),
        ("dsub d=0 s=4 t=5", 0, MIN64),
    ],
)
def test_overflow_traps_and_leaves_the_destination(code: str, s: int, t: int) -> None:
    after = run([code], {2: 77, 4: s, 5: t})
    assert (after.stop.kind, after.stop.trap, after.stop.steps) == ("trap", "overflow", 0)
    assert (after[2], after[4], after[5]) == (77, s, t)


# Division by zero and of the most negative number by -1 (R4K A-55): open, and what MIPS dividers leave (common
# practice, no source).
@pytest.mark.parametrize(
    ("name", "s", "t", "kind", "hi", "lo"),
    [
        ("div", 7, 0, "division-by-zero", 7, -1),
        ("div", -7, 0, "division-by-zero", -7, 1),
        ("div", 0, 0, "division-by-zero", 0, -1),
        ("divu", -7, 0, "division-by-zero", -7, -1),
        ("ddiv", MIN64, 0, "division-by-zero", MIN64, 1),
        ("ddivu", MAX64, 0, "division-by-zero", MAX64, -1),
        ("div", MIN32, -1, "division-overflow", 0, MIN32),
        ("ddiv", MIN64, -1, "division-overflow", 0, MIN64),
    ],
)
def test_an_open_division_is_an_event_and_the_run_goes_on(
    name: str, s: int, t: int, kind: str, hi: int, lo: int
) -> None:
    after = run(["sll", f"{name} s=4 t=5", "addiu t=2 i=1"], {4: s, 5: t})
    assert after.stop.kind == "returned"
    assert (after["hi"], after["lo"], after[2]) == (hi, lo, 1)
    assert list(after.machine.events) == [(kind, 0xFFFF_FFFF_8000_1004)]


# Which operands must be sign-extended words (R4K p. 39; M64 SRA); SLL takes any, and so do 64-bit operations.
@pytest.mark.parametrize(
    ("code", "open_operands"),
    [
        *((f"{name} d=2 s=4 t=5", (4, 5)) for name in ("add", "addu", "sub", "subu")),
        *((f"{name} s=4 t=5", (4, 5)) for name in ("mult", "multu", "div", "divu")),
        *((f"{name} t=2 s=4", (4,)) for name in ("addi", "addiu")),
        *((f"{name} d=2 t=5 a=1", (5,)) for name in ("srl", "sra")),
        *((f"{name} d=2 t=5 s=4", (5,)) for name in ("sllv", "srlv", "srav")),
        *((f"{name} d=2 t=5 a=0", ()) for name in ("sll", "dsll", "dsrl", "dsra", "dsll32")),
        *((f"{name} d=2 s=4 t=5", ()) for name in ("slt", "sltu", "and", "or", "xor", "nor", "daddu", "dsubu", "dadd")),
        *((f"{name} s=4 t=5", ()) for name in ("dmult", "ddivu")),
        ("slti t=2 s=4", ()),
    ],
)
@pytest.mark.parametrize("register", [4, 5])
def test_a_word_operation_on_a_wide_operand_is_an_event(
    code: str, open_operands: tuple[int, ...], register: int
) -> None:
    after = run([code], {4: 3, 5: 3, register: 0x1_0000_0003})
    expected = [("non-canonical-operand", 0xFFFF_FFFF_8000_1000)] if register in open_operands else []
    assert list(after.machine.events) == expected
