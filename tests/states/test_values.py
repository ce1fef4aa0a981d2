"""The values that input words take."""

from __future__ import annotations

import math
import struct
from random import Random

import pytest

from harness.states import values
from harness.states.model import Input, Kind, Place
from harness.states.words import is_canonical

WORD = Place("block", 0, 0, 4)
REGISTER = Place("gpr", 4, 0, 8)


def drawn(item: Input, count: int = 2000, tameness: int = 0) -> list[int]:
    rng = Random(1)
    return [values.draw(rng, item, (0x1234_5678,), tameness) for _ in range(count)]


def single(bits: int) -> float:
    return float(struct.unpack(">f", bits.to_bytes(4, "big"))[0])


@pytest.mark.parametrize("size", [1, 2, 4, 8])
def test_an_integer_fits_its_place_and_reaches_every_corner(size: int) -> None:
    bits = 8 * size
    seen = set(drawn(Input(Place("block", 0, 0, size)), 6000))
    assert all(0 <= value < 1 << bits for value in seen)
    assert {0, 1, (1 << bits) - 1, 1 << (bits - 1), (1 << (bits - 1)) - 1} <= seen


def test_a_register_of_word_operations_is_canonical() -> None:
    assert all(is_canonical(value) for value in drawn(Input(REGISTER)))
    assert all(is_canonical(value) for value in drawn(Input(REGISTER, narrow=True)))


def test_a_register_of_both_kinds_of_operations_is_mostly_canonical() -> None:
    canonical = sum(map(is_canonical, drawn(Input(REGISTER, wide=True, narrow=True))))
    assert 0.75 * 2000 < canonical < 2000


def test_constants_of_the_code_come_with_their_neighbours() -> None:
    assert {0x1234_5677, 0x1234_5678, 0x1234_5679} <= set(drawn(Input(WORD)))


def test_favourites_are_drawn_often() -> None:
    assert drawn(Input(WORD, favourites=(77777,))).count(77777) > 600


def test_a_count_stays_below_its_limit_and_is_small_more_often_than_not() -> None:
    counts = drawn(Input(WORD, kind=Kind.COUNT, limit=16))
    assert set(counts) == set(range(16))
    assert sum(count < 5 for count in counts) > 1000


def test_floats_are_never_nan_or_denormal() -> None:
    numbers = [single(bits) for bits in drawn(Input(WORD, kind=Kind.FLOAT), 6000)]
    assert not any(map(math.isnan, numbers))
    assert all(number == 0 or abs(number) >= 2.0**-126 for number in numbers)
    assert {0.0, 1.0, -1.0, math.inf} <= set(numbers)
    assert "-0.0" in set(map(str, numbers))


def test_the_two_words_of_a_double_make_a_normal_double_whichever_low_word_comes() -> None:
    highs, lows = (drawn(Input(WORD, kind=kind)) for kind in (Kind.DOUBLE_HIGH, Kind.DOUBLE_LOW))
    for high, low in zip(highs, lows, strict=True):
        exponent = high >> 20 & 0x7FF
        assert exponent != 0 or high & 0x7FFF_FFFF == 0
        assert exponent != 0x7FF or high & 0xF_FFFF == 0
        assert 0 <= low < 1 << 32


@pytest.mark.parametrize(("tameness", "share"), [(1, 0.5), (2, 0.9)])
def test_tame_values_are_small_numbers_that_often(tameness: int, share: float) -> None:
    small = sum(value < 16 for value in drawn(Input(WORD), tameness=tameness)) / 2000
    assert share - 0.05 < small < share + 0.2


@pytest.mark.parametrize("unit", [1, 2, 4, 8])
def test_fillings_have_the_size_asked_for(unit: int) -> None:
    rng = Random(2)
    for kind in (Kind.SCALAR, Kind.FLOAT, Kind.DOUBLE):
        for size in (0, 1, 7, 64):
            assert len(values.filling(rng, size, unit, kind)) == size


def test_text_is_zero_terminated_wherever_bytes_are_filled_with_text() -> None:
    rng = Random(3)
    texts = [filling for _ in range(200) if (filling := values.filling(rng, 32, 1, Kind.SCALAR)).strip(b"\0").isascii()]
    ends = [text.endswith(b"\0") for text in texts]
    assert sum(ends) > 0.9 * len(ends)
