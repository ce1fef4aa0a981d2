"""Sums of places, followed through single instructions; expectations follow from the arithmetic."""

from __future__ import annotations

import pytest

from harness.program.assembly import encode
from harness.states.model import Place
from harness.states.terms import NOWHERE, Origin, added, mixed, of_place, of_result, scaled
from interp.optable import decode

A = Place("gpr", 4, 0, 8)
B = Place("gpr", 5, 0, 8)
NONE: frozenset[Place] = frozenset()


def result(name: str, operands: list[Origin], values: list[int], **fields: int) -> Origin:
    insn = decode(encode(name, **fields))
    assert insn is not None
    return of_result(insn, operands, values)


def sum_of(*terms: tuple[Place, int]) -> Origin:
    return Origin(terms, NONE)


@pytest.mark.parametrize(
    ("name", "values", "fields", "expected"),
    [
        ("addu", [10, 20], {}, sum_of((A, 1), (B, 1))),
        ("daddu", [10, 20], {}, sum_of((A, 1), (B, 1))),
        ("subu", [10, 20], {}, sum_of((A, 1), (B, -1))),
        ("or", [0x100, 0x0F], {}, sum_of((A, 1), (B, 1))),  # no bit in common: a sum
    ],
)
def test_sums_and_differences_of_two_places(
    name: str, values: list[int], fields: dict[str, int], expected: Origin
) -> None:
    assert result(name, [of_place(A), of_place(B)], values, **fields) == expected


@pytest.mark.parametrize(
    ("name", "fields", "expected"),
    [
        ("addiu", {"i": -4}, sum_of((A, 1))),
        ("sll", {"a": 3}, sum_of((A, 8))),
        ("dsll32", {"a": 1}, sum_of((A, 1 << 33))),
        ("andi", {"i": 0xFF}, sum_of((A, 1))),  # cut to a byte
        ("sra", {"a": 2}, Origin((), frozenset((A,)))),  # loses bits
    ],
)
def test_one_place_and_a_constant_of_the_code(name: str, fields: dict[str, int], expected: Origin) -> None:
    assert result(name, [of_place(A)], [12], **fields) == expected


def test_a_shift_left_and_back_again_is_the_place_itself() -> None:
    left = result("sll", [of_place(A)], [0x80], a=24)
    assert result("sra", [left], [-0x8000_0000], a=24) == of_place(A)


def test_a_product_is_followed_where_one_factor_is_known() -> None:
    assert result("multu", [of_place(A), NOWHERE], [3, 12]) == sum_of((A, 12))
    assert result("multu", [NOWHERE, of_place(A)], [12, 3]) == sum_of((A, 12))
    assert result("multu", [of_place(A), of_place(B)], [3, 4]) == Origin((), frozenset((A, B)))


def test_what_is_no_sum_keeps_only_its_places() -> None:
    assert result("xor", [of_place(A), of_place(B)], [3, 1]) == Origin((), frozenset((A, B)))
    assert result("slt", [of_place(A), NOWHERE], [3, 1]) == Origin((), frozenset((A,)))


def test_a_sum_with_something_that_is_no_sum_keeps_its_own_terms() -> None:
    """a + 4 * (b / 3) still says that the address was counted from a."""
    quotient = mixed((of_place(B),))
    assert added(of_place(A), scaled(quotient, 4)) == Origin(((A, 1),), frozenset((B,)))


def test_equal_terms_cancel() -> None:
    assert added(sum_of((A, 1), (B, 4)), of_place(A), sign=-1) == sum_of((B, 4))


def test_a_copy_of_a_place_knows_it_and_a_multiple_does_not() -> None:
    assert of_place(A).alone == A
    assert scaled(of_place(A), 2).alone is None
    assert Origin(((A, 1),), frozenset((B,))).alone is None


def test_a_value_that_mixes_too_many_places_keeps_some_of_them() -> None:
    many = [of_place(Place("block", 0, n, 1)) for n in range(100)]
    assert 1 <= len(mixed(many).places) <= 24
