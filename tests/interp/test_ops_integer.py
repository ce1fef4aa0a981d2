"""Integer rows (``ops_alu``, ``ops_shift``, ``ops_muldiv``) against tables derived by hand.

Expectations follow the instruction descriptions of the R4000 User's Manual, 2nd ed., App. A. Every case of a row with
a destination runs three times: into a register of its own, into register 0, and into the register of its operands
where these are equal.
"""

from __future__ import annotations

import pytest
from guest_runs import run

MAX32, MIN32 = 0x7FFF_FFFF, -0x8000_0000
MAX64, MIN64 = (1 << 63) - 1, -1 << 63
#: Not sign-extended: 32-bit operations on it are open.
WILD = 0x1_8000_0001

# name: (s, t, d) with signed values
THREE_REGISTERS: dict[str, list[tuple[int, int, int]]] = {
    "add": [(0, 0, 0), (1, -1, 0), (-1, -1, -2), (MAX32, -1, MAX32 - 1), (MAX32, MIN32, -1), (MIN32, 1, -MAX32)],
    "addu": [(0, 0, 0), (1, -1, 0), (MAX32, 1, MIN32), (MIN32, MIN32, 0), (MAX32, MAX32, -2), (MIN32, -1, MAX32)],
    "sub": [(0, 0, 0), (1, -1, 2), (-1, -1, 0), (-1, MIN32, MAX32), (MAX32, MAX32, 0), (0, MAX32, -MAX32)],
    "subu": [(0, 0, 0), (0, 1, -1), (0, MIN32, MIN32), (MIN32, 1, MAX32), (MAX32, -1, MIN32), (MIN32, MAX32, 1)],
    "dadd": [(0, 0, 0), (1, -1, 0), (MAX32, 1, 0x8000_0000), (MAX64, MIN64, -1), (MIN32, MIN32, -0x1_0000_0000)],
    "daddu": [(0, 0, 0), (MAX64, 1, MIN64), (MIN64, MIN64, 0), (MAX64, MAX64, -2), (MAX32, 1, 0x8000_0000)],
    "dsub": [(0, 0, 0), (-1, MIN64, MAX64), (0, MAX64, -MAX64), (MIN32, 1, -0x8000_0001), (MIN64, MIN64, 0)],
    "dsubu": [(0, 0, 0), (0, 1, -1), (MIN64, 1, MAX64), (0, MIN64, MIN64), (MAX64, -1, MIN64)],
    "slt": [(0, 0, 0), (0, 1, 1), (-1, 0, 1), (MIN64, MAX64, 1), (MAX64, MIN64, 0), (0xFFFF_FFFF, 0, 0), (-1, -1, 0)],
    "sltu": [(0, 0, 0), (0, 1, 1), (-1, 0, 0), (0, -1, 1), (MIN64, MAX64, 0), (MAX64, MIN64, 1), (MAX32, MIN32, 1)],
    "and": [(0, -1, 0), (-1, -1, -1), (0xFF00, 0x0FF0, 0x0F00), (MIN64, -1, MIN64), (WILD, -1, WILD)],
    "or": [(0, 0, 0), (-1, 0, -1), (0xFF00, 0x0FF0, 0xFFF0), (MIN64, 1, MIN64 + 1), (WILD, 0, WILD)],
    "xor": [(0, 0, 0), (-1, -1, 0), (0xFF00, 0x0FF0, 0xF0F0), (MIN64, -1, MAX64), (WILD, 0, WILD)],
    "nor": [(0, 0, -1), (-1, -1, 0), (0xFF00, 0x0FF0, -0xFFF1), (MIN64, 0, MAX64), (MAX64, 0, MIN64)],
}

# name: (s, immediate, t); the immediate as its 16 bits
IMMEDIATE: dict[str, list[tuple[int, int, int]]] = {
    "addi": [(0, 0, 0), (1, 0xFFFF, 0), (0, 0x8000, -0x8000), (0, 0x7FFF, 0x7FFF), (MIN32, 0x7FFF, -0x7FFF_8001)],
    "addiu": [(0, 0, 0), (0, 0xFFFF, -1), (MAX32, 1, MIN32), (MIN32, 0xFFFF, MAX32), (0, 0x8000, -0x8000)],
    "daddi": [(0, 0, 0), (0, 0xFFFF, -1), (MAX32, 1, 0x8000_0000), (MIN64, 0x7FFF, MIN64 + 0x7FFF)],
    "daddiu": [(0, 0, 0), (MAX64, 1, MIN64), (MIN64, 0xFFFF, MAX64), (MAX32, 1, 0x8000_0000)],
    "slti": [(0, 0, 0), (0, 1, 1), (-1, 0xFFFF, 0), (-2, 0xFFFF, 1), (MIN64, 0x8000, 1), (0xFFFF_FFFF, 0, 0)],
    "sltiu": [(0, 0, 0), (0, 1, 1), (0, 0xFFFF, 1), (-1, 0xFFFF, 0), (-2, 0xFFFF, 1), (MAX64, 0x8000, 1)],
    "andi": [(-1, 0xFFFF, 0xFFFF), (-1, 0, 0), (0x1_2345, 0x8001, 1), (MIN64, 0xFFFF, 0)],
    "ori": [(0, 0xFFFF, 0xFFFF), (-1, 0, -1), (MIN64, 1, MIN64 + 1), (0x1_0000, 0x8000, 0x1_8000)],
    "xori": [(0, 0xFFFF, 0xFFFF), (-1, 0xFFFF, -0x1_0000), (0x8000, 0x8000, 0), (MIN64, 1, MIN64 + 1)],
    "lui": [(0, 0, 0), (0, 1, 0x1_0000), (0, 0x7FFF, 0x7FFF_0000), (0, 0x8000, MIN32), (0, 0xFFFF, -0x1_0000)],
}

# name: (t, amount, d)
SHIFTS: dict[str, list[tuple[int, int, int]]] = {
    "sll": [(1, 0, 1), (1, 31, MIN32), (3, 31, MIN32), (-1, 4, -16), (WILD, 0, MIN32 + 1), (WILD, 1, 2)],
    "srl": [(1, 0, 1), (-1, 0, -1), (-1, 1, MAX32), (MIN32, 31, 1), (MIN32, 4, 0x0800_0000), (MAX32, 30, 1)],
    "sra": [(1, 0, 1), (-1, 31, -1), (MIN32, 31, -1), (MIN32, 4, -0x0800_0000), (MAX32, 30, 1)],
    "dsll": [(1, 0, 1), (1, 31, 0x8000_0000), (-1, 31, -0x8000_0000), (WILD, 31, -0x3FFF_FFFF_8000_0000)],
    "dsll32": [(1, 0, 0x1_0000_0000), (1, 31, MIN64), (3, 31, MIN64), (-1, 0, -0x1_0000_0000)],
    "dsrl": [(1, 0, 1), (-1, 1, MAX64), (MIN64, 31, 0x1_0000_0000), (WILD, 1, 0xC000_0000)],
    "dsrl32": [(-1, 0, 0xFFFF_FFFF), (MIN64, 31, 1), (WILD, 0, 1), (MIN64, 0, 0x8000_0000)],
    "dsra": [(1, 0, 1), (-1, 31, -1), (MIN64, 31, -0x1_0000_0000), (WILD, 1, 0xC000_0000)],
    "dsra32": [(-1, 0, -1), (MIN64, 31, -1), (MAX64, 30, 1), (WILD, 0, 1), (MIN64, 0, MIN32)],
}

# name: (t, s, d): the count is taken from s
VARIABLE_SHIFTS: dict[str, list[tuple[int, int, int]]] = {
    "sllv": [(1, 31, MIN32), (1, 32, 1), (1, 33, 2), (1, -1, MIN32), (5, WILD, 10), (31, 31, MIN32)],
    "srlv": [(-1, 1, MAX32), (-1, 32, -1), (MIN32, -1, 1), (MIN32, WILD, 0x4000_0000), (2, 2, 0)],
    "srav": [(MIN32, 31, -1), (MIN32, 32, MIN32), (MIN32, -1, -1), (MAX32, WILD, 0x3FFF_FFFF), (2, 2, 0)],
    "dsllv": [(1, 63, MIN64), (1, 64, 1), (1, -1, MIN64), (1, 32, 0x1_0000_0000), (5, WILD, 10), (2, 2, 8)],
    "dsrlv": [(-1, 63, 1), (-1, 64, -1), (MIN64, -1, 1), (-1, 32, 0xFFFF_FFFF), (2, 2, 0)],
    "dsrav": [(MIN64, 63, -1), (MIN64, 64, MIN64), (MIN64, 32, MIN32), (MAX64, -1, 0), (2, 2, 0)],
}

# name: (s, t, hi, lo)
MULTIPLY_DIVIDE: dict[str, list[tuple[int, int, int, int]]] = {
    "mult": [
        (0, -1, 0, 0),
        (-1, -1, 0, 1),
        (-1, 1, -1, -1),
        (MIN32, MIN32, 0x4000_0000, 0),
        (MAX32, MAX32, 0x3FFF_FFFF, 1),
        (MIN32, MAX32, -0x4000_0000, MIN32),
        (0x1_0000, 0x8000, 0, MIN32),
    ],
    "multu": [(0, -1, 0, 0), (-1, -1, -2, 1), (-1, 1, 0, -1), (MIN32, MIN32, 0x4000_0000, 0), (MIN32, 2, 1, 0)],
    "dmult": [
        (-1, -1, 0, 1),
        (-1, 1, -1, -1),
        (MIN64, MIN64, 1 << 62, 0),
        (MAX64, MAX64, (1 << 62) - 1, 1),
        (1 << 32, 1 << 31, 0, MIN64),
    ],
    "dmultu": [(-1, -1, -2, 1), (-1, 1, 0, -1), (MIN64, 2, 1, 0), (MIN64, MIN64, 1 << 62, 0)],
    "div": [
        (7, 2, 1, 3),
        (-7, 2, -1, -3),
        (7, -2, 1, -3),
        (-7, -2, -1, 3),
        (0, 5, 0, 0),
        (MIN32, 1, 0, MIN32),
        (MIN32, 3, -2, -0x2AAA_AAAA),
        (MAX32, MIN32, MAX32, 0),
    ],
    "divu": [(7, 2, 1, 3), (-7, 2, 1, 0x7FFF_FFFC), (-1, 1, 0, -1), (7, -2, 7, 0), (MIN32, -1, MIN32, 0)],
    "ddiv": [
        (7, 2, 1, 3),
        (-7, 2, -1, -3),
        (7, -2, 1, -3),
        (-7, -2, -1, 3),
        (MIN64, 1, 0, MIN64),
        (MIN64, 10, -8, -922_337_203_685_477_580),
    ],
    "ddivu": [(7, 2, 1, 3), (-7, 2, 1, MAX64 - 3), (-1, 1, 0, -1), (7, -2, 7, 0), (-1, -1, 0, 1)],
}


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
    assert after.machine.events == []
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
    assert after.machine.events == [(kind, 0xFFFF_FFFF_8000_1004)]


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
    assert after.machine.events == expected
