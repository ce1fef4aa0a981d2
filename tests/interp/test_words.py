"""Word arithmetic against values derived by hand."""

from __future__ import annotations

import pytest

from interp import words

MAX64, MIN64, ALL = (1 << 63) - 1, -1 << 63, (1 << 64) - 1


@pytest.mark.parametrize(
    ("name", "v", "expected"),
    [
        ("sext32", 0x7FFF_FFFF, 0x7FFF_FFFF),
        ("sext32", 0x8000_0000, -0x8000_0000),
        ("sext32", -0x8000_0001, 0x7FFF_FFFF),
        ("sext32", 0x1_0000_0000, 0),
        ("sext64", MAX64, MAX64),
        ("sext64", 1 << 63, MIN64),
        ("sext64", MIN64 - 1, MAX64),
        ("sext64", 1 << 64, 0),
        ("zext32", -1, 0xFFFF_FFFF),
        ("zext64", -1, ALL),
        ("ones", 0, 0),
        ("ones", 64, ALL),
        ("bit", True, 1),
        ("bit", False, 0),
    ],
)
def test_one_operand_words(name: str, v: int, expected: int) -> None:
    result = getattr(words, name)(v)
    assert result == expected and type(result) is int


@pytest.mark.parametrize(
    ("name", "a", "b", "expected"),
    [
        ("ult64", -1, 0, False),
        ("ult64", 0, -1, True),
        ("ult64", 5, 5, False),
        ("modulo", -1, 8, 7),
        ("modulo", 64, 64, 0),
        ("sext", 0x80, 8, -128),
        ("sext", 0x17F, 8, 127),
        ("sext", 0x180, 8, -128),
        ("sext", -1, 8, -1),
        ("sext", 0x7FFF, 16, 32767),
        ("sext", 0x1_8000, 16, -32768),
        ("sext", 1 << 63, 64, MIN64),
        ("quotrem", 7, 2, (3, 1)),
        ("quotrem", -7, 2, (-3, -1)),
        ("quotrem", 7, -2, (-3, 1)),
        ("quotrem", -7, -2, (3, -1)),
        ("quotrem", MIN64, -1, (1 << 63, 0)),
        ("quotrem", -1, 0, (1, -1)),
        ("quotrem", 0, 0, (-1, 0)),
        ("quotrem_u64", -1, 2, (MAX64, 1)),
        ("quotrem_u64", -1, 0, (ALL, ALL)),
        ("product64", MIN64, MIN64, (1 << 62, 0)),
        ("product64", -1, 1, (-1, -1)),
        ("product_u64", -1, -1, (-2, 1)),
    ],
)
def test_two_operand_words(name: str, a: int, b: int, expected: object) -> None:
    assert getattr(words, name)(a, b) == expected


def test_select_takes_the_first_where_the_condition_holds() -> None:
    assert (words.select(True, 1, 2), words.select(False, 1, 2)) == (1, 2)
