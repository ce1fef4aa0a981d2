"""Going backwards through operations, held against the operations themselves.

Each proposal is put into the expression and evaluated forwards, by the rows of the reference or by the host: it has to
give what was asked for. Which proposals come is nobody's business.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping

import pytest

from harness.states.inverse import Condition, Inverse, Wanted
from harness.states.model import Place
from harness.states.terms import NOWHERE, Made, Origin, of_place
from interp.words import sext32, sext64

A, B = Place("gpr", 4, 0, 8), Place("gpr", 5, 0, 8)
BYTES = [Place("block", 0, n, 1) for n in range(4)]
NO_TABLE = (0, b"")

Values = Mapping[Place, int]
Forward = Callable[[Values], int]


class Node:
    """An expression that can be run forwards on values, and that keeps the trace's record of itself."""

    def __init__(self, origin: Origin, forward: Forward) -> None:
        self.origin = origin
        self.forward = forward


def leaf(place: Place) -> Node:
    return Node(of_place(place), lambda values: values[place])


def constant(value: int) -> Node:
    return Node(NOWHERE, lambda values: value)


def operation(name: str, held: Values, forward: Callable[..., int], *operands: Node, immediate: int = 0) -> Node:
    values = tuple(operand.forward(held) for operand in operands)
    made = Made(name, immediate, tuple(operand.origin for operand in operands), values)
    places = frozenset(place for operand in operands for place in operand.origin.places)
    return Node(Origin((), places, made), lambda values: forward(*(operand.forward(values) for operand in operands)))


def branch(name: str, taken: bool, held: Values, *sides: Node) -> Condition:
    values = tuple(side.forward(held) for side in sides)
    return Condition(0x1000, taken, Made(name, 0, tuple(side.origin for side in sides), values))


def flips(condition: Condition, held: Values) -> list[Wanted]:
    return list(Inverse(held, lambda address: NO_TABLE).flips(condition, not condition.taken))


def with_wanted(held: Values, wanted: Wanted) -> dict[Place, int]:
    """Registers show what is put into them; a byte is loaded as unsigned."""
    return {**held, **{place: sext64(value) if place.size == 8 else value for place, value in wanted}}


def some_flip_works(node: Node, target: int, held: Values) -> bool:
    """Whether some proposal makes ``node`` equal to ``target``, by a branch that found it different."""
    found = flips(branch("beq", False, held, node, constant(target)), held)
    return any(node.forward(with_wanted(held, wanted)) == target for wanted in found)


@pytest.mark.parametrize(
    ("name", "forward", "immediate", "target"),
    [
        ("addiu", lambda a: sext32(a + 12), 12, -0x8000_0000),
        ("andi", lambda a: a & 0x00F0, 0x00F0, 0x50),
        ("ori", lambda a: a | 0x8001, 0x8001, 0x8F01),
        ("xori", lambda a: a ^ 0x1234, 0x1234, 0x4321),
        ("sll", lambda a: sext32(a << 5), 5, 0x2A0),
        ("srl", lambda a: sext32((a & 0xFFFF_FFFF) >> 7), 7, 0x1FF_FFFF),
        ("sra", lambda a: sext32(a) >> 7, 7, -3),
        ("dsll32", lambda a: sext64(a << 36), 4, 3 << 36),
        ("dsra32", lambda a: sext64(a) >> 33, 1, -2),
    ],
)
def test_an_operation_with_an_immediate_is_gone_back_through(
    name: str, forward: Callable[[int], int], immediate: int, target: int
) -> None:
    held = {A: 0x77}
    assert some_flip_works(operation(name, held, forward, leaf(A), immediate=immediate), target, held)


@pytest.mark.parametrize("index", [0, 1])
@pytest.mark.parametrize(
    ("name", "forward", "known", "target"),
    [
        ("addu", lambda a, b: sext32(a + b), 99, -5),
        ("subu", lambda a, b: sext32(a - b), 99, 1234),
        ("and", lambda a, b: a & b, 0x0FF0, 0x0120),
        ("or", lambda a, b: a | b, 0x0FF0, 0x1FF1),
        ("xor", lambda a, b: a ^ b, 0x0FF0, 0x1FF1),
        ("nor", lambda a, b: ~(a | b), 0x0FF0, ~0x1FF1),
        ("mult", lambda a, b: sext32(a * b), 0x1_0001, 0x1234_5678),
        ("mult", lambda a, b: sext32(a * b), 12, 12 * 77),
        ("multu hi", lambda a, b: (a * b) >> 32, 0x5555_5556, 7),
    ],
)
def test_either_operand_of_two_is_changed_for_the_result(
    index: int, name: str, forward: Callable[[int, int], int], known: int, target: int
) -> None:
    held = {A: 3}
    sides = (leaf(A), constant(known)) if index == 0 else (constant(known), leaf(A))
    assert some_flip_works(operation(name, held, forward, *sides), target, held)


def test_a_word_that_is_put_together_from_bytes_is_taken_apart() -> None:
    """bytes[0] << 24 | bytes[1] << 16 | bytes[2] << 8 | bytes[3], as parsers read numbers"""
    held: dict[Place, int] = dict.fromkeys(BYTES, 0)
    word = leaf(BYTES[3])
    for number, shift in ((2, 8), (1, 16), (0, 24)):
        moved = operation("sll", held, lambda a, shift=shift: sext32(a << shift), leaf(BYTES[number]), immediate=shift)
        word = operation("or", held, lambda a, b: a | b, word, moved)
    assert some_flip_works(word, 0x1234_5678, held)


def test_a_chain_of_operations_is_gone_back_through_to_its_word() -> None:
    """((a + 5) << 3 ^ 0x40) - 9 == 0x7f"""
    held = {A: 1}
    plus = operation("addiu", held, lambda a: sext32(a + 5), leaf(A), immediate=5)
    left = operation("sll", held, lambda a: sext32(a << 3), plus, immediate=3)
    other = operation("xori", held, lambda a: a ^ 0x40, left, immediate=0x40)
    assert some_flip_works(operation("addiu", held, lambda a: sext32(a - 9), other, immediate=-9), 0x7F, held)


@pytest.mark.parametrize(
    ("name", "takes"),
    [
        ("beq", lambda a, b: a == b),
        ("bnel", lambda a, b: a != b),
        ("bltz", lambda a, b: a < 0),
        ("bgezal", lambda a, b: a >= 0),
        ("blezl", lambda a, b: a <= 0),
        ("bgtz", lambda a, b: a > 0),
    ],
)
@pytest.mark.parametrize("value", [-7, 0, 5, 9])
def test_every_branch_is_turned_round(name: str, takes: Callable[[int, int], bool], value: int) -> None:
    held = {A: value}
    sides = (leaf(A), constant(9)) if name[:3] in ("beq", "bne") else (leaf(A),)
    condition = branch(name, takes(value, 9), held, *sides)
    turned = [with_wanted(held, wanted)[A] for wanted in flips(condition, held)]
    assert any(takes(changed, 9) is not takes(value, 9) for changed in turned)


@pytest.mark.parametrize("mask", [0x8000, 0x82, 6, 1, 0xFFFF])
@pytest.mark.parametrize("value", [0, 0x7D01, 0xFFFF])
def test_a_test_of_flags_is_turned_round_by_bits_of_its_mask(mask: int, value: int) -> None:
    held = {A: value}
    flags = operation("andi", held, lambda a: a & mask, leaf(A), immediate=mask)
    condition = branch("bne", value & mask != 0, held, flags, constant(0))
    changed = [with_wanted(held, wanted)[A] for wanted in flips(condition, held)]
    assert any((value & mask != 0) is not (new & mask != 0) for new in changed)


@pytest.mark.parametrize(("left", "right"), [(3, 10), (10, 3), (4, 4)])
@pytest.mark.parametrize("name", ["slt", "sltu"])
def test_a_set_on_less_than_is_turned_round_by_either_side(name: str, left: int, right: int) -> None:
    held = {A: left, B: right}
    less = operation(name, held, lambda a, b: int(a < b), leaf(A), leaf(B))
    condition = branch("bne", left < right, held, less, constant(0))
    changed = [with_wanted(held, wanted) for wanted in flips(condition, held)]
    turned = [
        values for values in changed if (values[A] < values[B]) is not (left < right) and min(values.values()) >= 0
    ]
    assert any(values[A] == left for values in turned)
    assert any(values[B] == right for values in turned)


def single(value: float) -> int:
    return int(struct.unpack(">I", struct.pack(">f", value))[0])


@pytest.mark.parametrize("value", [-2.0, 0.0, 1.5, 40.0])
@pytest.mark.parametrize(
    ("test", "holds"),
    [("c.lt.s", lambda a, b: a < b), ("c.le.s", lambda a, b: a <= b), ("c.eq.s", lambda a, b: a == b)],
)
def test_a_compare_of_floats_is_turned_round_through_arithmetic(
    test: str, holds: Callable[[float, float], bool], value: float
) -> None:
    """a * 2 + 1 against 4, on values that singles hold exactly"""
    place = Place("fpr", 12, 0, 4)
    held = {place: single(value)}

    def as_float(bits: int) -> float:
        return float(struct.unpack(">f", (bits & 0xFFFF_FFFF).to_bytes(4, "big"))[0])

    twice = operation("mul.s", held, lambda a, b: single(as_float(a) * as_float(b)), leaf(place), constant(single(2.0)))
    more = operation("add.s", held, lambda a, b: single(as_float(a) + as_float(b)), twice, constant(single(1.0)))
    compare = operation(test, held, lambda a, b: int(holds(as_float(a), as_float(b))), more, constant(single(4.0)))
    condition = branch("bc1t", bool(compare.forward(held)), held, compare)
    turned = [compare.forward(with_wanted(held, wanted)) for wanted in flips(condition, held)]
    assert 1 - compare.forward(held) in turned


@pytest.mark.parametrize(
    ("name", "forward", "target"),
    [("addu", lambda a, b: sext32(a + b), 98), ("multu", lambda a, b: sext32(a * b), 14 * 14)],
)
def test_an_operand_on_both_sides_is_changed_on_both(
    name: str, forward: Callable[[int, int], int], target: int
) -> None:
    held = {A: 5}
    both = leaf(A)
    assert some_flip_works(operation(name, held, forward, both, both), target, held)


def test_a_value_from_a_table_is_looked_for_there() -> None:
    """table[a] == 7 with the bytes 9, 8, 7 at 0x2000"""
    held = {A: 0}
    table = b"\x09\x08\x07"
    address = operation("addiu", held, lambda a: a + 0x2000, leaf(A), immediate=0x2000)
    value = operation("lbu", held, lambda at: table[at - 0x2000] if 0 <= at - 0x2000 < 3 else -1, address)
    condition = branch("beq", False, held, value, constant(7))
    found = list(Inverse(held, lambda at: (0x2000, table)).flips(condition, 1))
    assert ((A, 2),) in found


def test_a_value_that_no_input_had_a_part_in_has_no_proposals() -> None:
    assert flips(branch("beq", False, {}, constant(1), constant(2)), {}) == []
