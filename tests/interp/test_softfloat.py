"""The soft-float against hand-derived and published values."""

from __future__ import annotations

from random import Random

import pytest
from float_operands import operand, pairs

from interp.softfloat import (
    DENORMAL,
    DIVISION_BY_ZERO,
    DOUBLE,
    DOWN,
    EQUAL,
    INEXACT,
    INVALID,
    LESS,
    NEAREST,
    OVERFLOW,
    QUIET_NAN,
    SINGLE,
    TINY,
    TO_ZERO,
    UNDERFLOW,
    UNORDERED,
    UP,
    Format,
)

FORMATS = pytest.mark.parametrize("fmt", [SINGLE, DOUBLE], ids=["single", "double"])
MODES = (NEAREST, TO_ZERO, UP, DOWN)
SUBNORMAL = TINY | UNDERFLOW | INEXACT
TOO_LARGE = OVERFLOW | INEXACT
INFINITY = 0x7F80_0000
LARGEST = 0x7F7F_FFFF
ONE = 0x3F80_0000
MINUS = 0x8000_0000


def test_formats_have_the_constants_of_ieee_754() -> None:
    # IEEE 754-2008 table 3.5; the NaNs are those of r4000-style processors, fraction bit clear in a quiet one.
    assert (SINGLE.infinity, SINGLE.smallest_normal, SINGLE.sign) == (0x7F80_0000, 0x0080_0000, 0x8000_0000)
    assert (DOUBLE.infinity, DOUBLE.smallest_normal) == (0x7FF0_0000_0000_0000, 0x0010_0000_0000_0000)
    assert (SINGLE.quantum, DOUBLE.quantum) == (-149, -1074)
    assert (SINGLE.default_nan, DOUBLE.default_nan) == (0x7FBF_FFFF, 0x7FF7_FFFF_FFFF_FFFF)


# 1 + 2**-24 is halfway between 1 and the next number; 1 + 2**-23 + 2**-24 between that and the one after.
@pytest.mark.parametrize(
    ("a", "b", "nearest", "to_zero", "up", "down", "flags"),
    [
        (ONE, ONE, 0x4000_0000, 0x4000_0000, 0x4000_0000, 0x4000_0000, 0),
        (ONE, 0x3380_0000, ONE, ONE, 0x3F80_0001, ONE, INEXACT),
        (0x3F80_0001, 0x3380_0000, 0x3F80_0002, 0x3F80_0001, 0x3F80_0002, 0x3F80_0001, INEXACT),
        (ONE | MINUS, 0x3380_0000 | MINUS, ONE | MINUS, ONE | MINUS, ONE | MINUS, 0xBF80_0001, INEXACT),
        (ONE, 0x0080_0000, ONE, ONE, 0x3F80_0001, ONE, INEXACT),
        (ONE, 0x0080_0000 | MINUS, ONE, 0x3F7F_FFFF, ONE, 0x3F7F_FFFF, INEXACT),
        (LARGEST, LARGEST, INFINITY, LARGEST, INFINITY, LARGEST, TOO_LARGE),
        (0xFF7F_FFFF, 0xFF7F_FFFF, 0xFF80_0000, 0xFF7F_FFFF, 0xFF7F_FFFF, 0xFF80_0000, TOO_LARGE),
        (LARGEST, 0x7300_0000, INFINITY, LARGEST, INFINITY, LARGEST, None),
        (ONE, ONE | MINUS, 0, 0, 0, MINUS, 0),
        (0, MINUS, 0, 0, 0, MINUS, 0),
        (MINUS, MINUS, MINUS, MINUS, MINUS, MINUS, 0),
        (0, 0, 0, 0, 0, 0, 0),
        (0x0080_0001, 0x8080_0000, 1, 1, 1, 1, TINY),
        (1, 1, 2, 2, 2, 2, TINY | DENORMAL),
        (0x007F_FFFF, 1, 0x0080_0000, 0x0080_0000, 0x0080_0000, 0x0080_0000, DENORMAL),
        (INFINITY, LARGEST, INFINITY, INFINITY, INFINITY, INFINITY, 0),
    ],
)
def test_add_rounds_in_each_mode(
    a: int, b: int, nearest: int, to_zero: int, up: int, down: int, flags: int | None
) -> None:
    results = [SINGLE.add(a, b, rm) for rm in MODES]
    assert [bits for bits, _ in results] == [nearest, to_zero, up, down]
    if flags is None:  # half a last place above the largest number: an overflow only where it rounds up
        assert [raised for _, raised in results] == [TOO_LARGE, INEXACT, TOO_LARGE, INEXACT]
    else:
        assert {raised for _, raised in results} == {flags}


# Operation by operation; ``x`` is any mode because the result is exact or invalid. From IEEE 754-2008 section 7 and
# the R4000 User's Manual, 2nd ed., p. 190-193.
@pytest.mark.parametrize(
    ("operation", "a", "b", "bits", "flags"),
    [
        ("add", INFINITY, 0xFF80_0000, 0x7FBF_FFFF, INVALID),
        ("sub", INFINITY, INFINITY, 0x7FBF_FFFF, INVALID),
        ("sub", INFINITY, 0xFF80_0000, INFINITY, 0),
        ("sub", ONE, INFINITY, 0xFF80_0000, 0),
        ("mul", 0, INFINITY, 0x7FBF_FFFF, INVALID),
        ("mul", 0xFF80_0000, MINUS, 0x7FBF_FFFF, INVALID),
        ("mul", 0xFF80_0000, ONE, 0xFF80_0000, 0),
        ("mul", MINUS, ONE, MINUS, 0),
        ("mul", MINUS, MINUS, 0, 0),
        ("mul", 0x4040_0000, 0x40A0_0000, 0x4170_0000, 0),  # 3 * 5 = 15
        ("mul", INFINITY, 1, INFINITY, DENORMAL),
        ("div", 0, 0, 0x7FBF_FFFF, INVALID),
        ("div", INFINITY, 0xFF80_0000, 0x7FBF_FFFF, INVALID),
        ("div", ONE, 0, INFINITY, DIVISION_BY_ZERO),
        ("div", ONE, MINUS, 0xFF80_0000, DIVISION_BY_ZERO),
        ("div", INFINITY, MINUS, 0xFF80_0000, 0),
        ("div", ONE, 0xFF80_0000, MINUS, 0),
        ("div", 0, 0x4040_0000, 0, 0),
        ("div", 0x4170_0000, 0x40A0_0000, 0x4040_0000, 0),  # 15 / 5 = 3
        ("div", 0x0080_0000, 1, 0x4B00_0000, DENORMAL),  # 2**-126 / 2**-149 = 2**23
        ("div", 1, ONE, 1, DENORMAL | TINY),
        ("div", 1, 0, INFINITY, DIVISION_BY_ZERO | DENORMAL),
    ],
)
def test_exact_and_exceptional_results_are_the_same_in_every_mode(
    operation: str, a: int, b: int, bits: int, flags: int
) -> None:
    assert {getattr(SINGLE, operation)(a, b, rm) for rm in MODES} == {(bits, flags)}


@pytest.mark.parametrize(
    ("a", "bits", "flags"),
    [
        (0x4110_0000, 0x4040_0000, 0),  # sqrt 9 = 3
        (0x3E80_0000, 0x3F00_0000, 0),  # sqrt 1/4 = 1/2
        (0x4000_0000, 0x3FB5_04F3, INEXACT),  # sqrt 2 = 1.41421356 (1.4142135381698608398...)
        (0, 0, 0),
        (MINUS, MINUS, 0),
        (INFINITY, INFINITY, 0),
        (0xFF80_0000, 0x7FBF_FFFF, INVALID),
        (ONE | MINUS, 0x7FBF_FFFF, INVALID),
        (1, 0x1A35_04F3, INEXACT | DENORMAL),  # 2**-74.5 = sqrt 2 * 2**-75
        (4, 0x1AB5_04F3, INEXACT | DENORMAL),
        (2, 0x1A80_0000, DENORMAL),  # sqrt 2**-148 = 2**-74
    ],
)
def test_sqrt_of_single(a: int, bits: int, flags: int) -> None:
    assert SINGLE.sqrt(a, NEAREST) == (bits, flags)


def test_sqrt_rounds_by_mode() -> None:
    assert [SINGLE.sqrt(0x4000_0000, rm)[0] for rm in MODES] == [0x3FB5_04F3, 0x3FB5_04F3, 0x3FB5_04F4, 0x3FB5_04F3]
    # sqrt 2 in binary64 is 3ff6a09e667f3bcd to nearest: 1.4142135623730951 lies above the root.
    assert [DOUBLE.sqrt(0x4000_0000_0000_0000, rm)[0] & 0xFF for rm in MODES] == [0xCD, 0xCC, 0xCD, 0xCC]


def test_one_third_in_binary64_rounds_by_mode() -> None:
    # 1/3 = 0.0101..b: the 53 bits end in ...0101|0101, so only plus infinity goes up.
    results = [DOUBLE.div(0x3FF0_0000_0000_0000, 0x4008_0000_0000_0000, rm) for rm in MODES]
    assert [bits & 0xFF for bits, _ in results] == [0x55, 0x55, 0x56, 0x55]
    assert {bits >> 8 for bits, _ in results} == {0x3FD5_5555_5555_55}
    assert {flags for _, flags in results} == {INEXACT}


# Products around 2**-126. A result is tiny when it would be below 2**-126 with an unbounded exponent (R4000 User's
# Manual, p. 195), so a product that rounds up to 2**-126 in 24 bits is not, and one that does so only in the coarser
# steps of a subnormal is.
@pytest.mark.parametrize(
    ("a", "b", "rm", "bits", "flags"),
    [
        (0x0080_0000, 0x3F00_0000, NEAREST, 0x0040_0000, TINY),  # exact: no underflow
        (0x0080_0001, 0x3F00_0000, NEAREST, 0x0040_0000, SUBNORMAL),
        (0x0080_0003, 0x3F00_0000, NEAREST, 0x0040_0002, SUBNORMAL),
        (0x0080_0001, 0x3F00_0000, UP, 0x0040_0001, SUBNORMAL),
        # (1 + 2**-23)(1 - 2**-23) = 1 - 2**-46: rounds up to 1 in 24 bits to nearest and upwards
        (0x0080_0001, 0x3F7F_FFFE, NEAREST, 0x0080_0000, INEXACT),
        (0x0080_0001, 0x3F7F_FFFE, UP, 0x0080_0000, INEXACT),
        (0x0080_0001, 0x3F7F_FFFE, TO_ZERO, 0x007F_FFFF, SUBNORMAL),
        (0x0080_0001, 0x3F7F_FFFE, DOWN, 0x007F_FFFF, SUBNORMAL),
        # 1 - 2**-24 is exact in 24 bits, but halfway between two subnormals
        (0x0080_0000, 0x3F7F_FFFF, NEAREST, 0x0080_0000, SUBNORMAL),
        (0x0080_0000, 0x3F7F_FFFF, UP, 0x0080_0000, SUBNORMAL),
        (0x0080_0000, 0x3F7F_FFFF, TO_ZERO, 0x007F_FFFF, SUBNORMAL),
        # far below the smallest subnormal
        (0x0080_0000, 0x0080_0000, NEAREST, 0, SUBNORMAL),
        (0x0080_0000, 0x0080_0000, UP, 1, SUBNORMAL),
        (0x8080_0000, 0x0080_0000, UP, MINUS, SUBNORMAL),
        (0x8080_0000, 0x0080_0000, DOWN, MINUS | 1, SUBNORMAL),
        # half of the smallest subnormal: to even, that is to zero
        (0x0080_0000, 0x3380_0000, NEAREST, 0, SUBNORMAL),
        (0x0080_0001, 0x3380_0000, NEAREST, 1, SUBNORMAL),
    ],
)
def test_tininess_is_detected_after_rounding(a: int, b: int, rm: int, bits: int, flags: int) -> None:
    assert SINGLE.mul(a, b, rm) == (bits, flags)


@FORMATS
def test_nan_operands(fmt: Format) -> None:
    quiet, other = fmt.infinity | 1, fmt.infinity | fmt.sign | 5
    signalling = fmt.infinity | fmt.signalling
    one = fmt.infinity >> 1 & fmt.infinity
    for operation in (fmt.add, fmt.sub, fmt.mul, fmt.div):
        assert operation(quiet, one, NEAREST) == (quiet, QUIET_NAN)
        assert operation(one, quiet, NEAREST) == (quiet, QUIET_NAN)
        assert operation(quiet, other, NEAREST) == (quiet, QUIET_NAN)
        assert operation(one, other, NEAREST) == (other, QUIET_NAN)
        assert operation(fmt.infinity, quiet, NEAREST) == (quiet, QUIET_NAN)
        assert operation(0, quiet, NEAREST) == (quiet, QUIET_NAN)
        for a, b in ((signalling, one), (one, signalling), (signalling, quiet), (quiet, signalling | fmt.sign)):
            assert operation(a, b, NEAREST) == (fmt.default_nan, INVALID)
        assert operation(quiet, 1, NEAREST) == (quiet, QUIET_NAN | DENORMAL)
    assert fmt.sqrt(quiet | fmt.sign, NEAREST) == (quiet | fmt.sign, QUIET_NAN)
    assert fmt.sqrt(signalling, NEAREST) == (fmt.default_nan, INVALID)


@FORMATS
def test_abs_and_neg_change_the_sign_only_and_signal(fmt: Format) -> None:
    for a, flags in ((0, 0), (fmt.infinity, 0), (1, DENORMAL), (fmt.infinity | 1, QUIET_NAN), (fmt.fraction << 2, 0)):
        assert fmt.neg(a) == (a | fmt.sign, flags)
        assert fmt.neg(a | fmt.sign) == (a, flags)
        assert fmt.abs(a) == (a, flags)
        assert fmt.abs(a | fmt.sign) == (a, flags)
    for operation in (fmt.neg, fmt.abs):
        assert operation(fmt.infinity | fmt.signalling) == (fmt.default_nan, INVALID)


@FORMATS
def test_compare_gives_the_relation(fmt: Format) -> None:
    one = fmt.infinity >> 1 & fmt.infinity
    ascending = [fmt.infinity | fmt.sign, one | fmt.sign, 1 | fmt.sign, 0, 1, fmt.smallest_normal, one, fmt.infinity]
    for i, a in enumerate(ascending):
        for j, b in enumerate(ascending):
            assert fmt.compare(a, b, True) == (LESS if i < j else EQUAL if i == j else 0, 0)
    assert fmt.compare(0, fmt.sign, True) == fmt.compare(fmt.sign, 0, False) == (EQUAL, 0)


@FORMATS
def test_compare_with_nan_is_unordered(fmt: Format) -> None:
    quiet, signalling = fmt.infinity | 1, fmt.infinity | fmt.signalling | fmt.sign
    assert fmt.compare(quiet, 0, False) == fmt.compare(0, quiet, False) == (UNORDERED, 0)
    assert fmt.compare(quiet, quiet, False) == (UNORDERED, 0)
    assert fmt.compare(quiet, 0, True) == fmt.compare(0, quiet, True) == (UNORDERED, INVALID)
    assert fmt.compare(signalling, 0, False) == fmt.compare(quiet, signalling, False) == (UNORDERED, INVALID)


# Bounds as in the R4000 User's Manual, appendix B: the range check is on the rounded value.
W_MAX, W_MIN, L_MAX = 0x7FFF_FFFF, 0x8000_0000, 0x7FFF_FFFF_FFFF_FFFF


@pytest.mark.parametrize(
    ("a", "width", "nearest", "to_zero", "up", "down"),
    [
        (0x3FF8_0000_0000_0000, 32, 2, 1, 2, 1),  # 1.5
        (0x4004_0000_0000_0000, 32, 2, 2, 3, 2),  # 2.5
        (0xBFF8_0000_0000_0000, 32, 0xFFFF_FFFE, 0xFFFF_FFFF, 0xFFFF_FFFF, 0xFFFF_FFFE),  # -1.5
        (0x3FE0_0000_0000_0000, 32, 0, 0, 1, 0),  # 0.5
        (0xBFE0_0000_0000_0000, 64, 0, 0, 0, 0xFFFF_FFFF_FFFF_FFFF),  # -0.5
        (0x41DF_FFFF_FFD9_999A, 32, W_MAX, W_MAX, None, W_MAX),  # 2147483647.4
        (0x41DF_FFFF_FFE0_0000, 32, None, W_MAX, None, W_MAX),  # 2147483647.5
        (0xC1E0_0000_0010_0000, 32, W_MIN, W_MIN, W_MIN, None),  # -2147483648.5
        (0x7FE0_0000_0000_0000, 32, None, None, None, None),
        (0xFFE0_0000_0000_0000, 64, None, None, None, None),
        (0x0010_0000_0000_0000, 64, 0, 0, 1, 0),
    ],
)
def test_to_integer_rounds_and_checks_the_range(
    a: int, width: int, nearest: int | None, to_zero: int | None, up: int | None, down: int | None
) -> None:
    for rm, expected in zip(MODES, (nearest, to_zero, up, down), strict=True):
        invalid = (W_MAX if width == 32 else L_MAX, INVALID)
        assert DOUBLE.to_integer(a, width, rm) == (invalid if expected is None else (expected, INEXACT))


@pytest.mark.parametrize(
    ("a", "width", "result"),
    [
        (0x41DF_FFFF_FFC0_0000, 32, (W_MAX, 0)),  # 2147483647
        (0x41E0_0000_0000_0000, 32, (W_MAX, INVALID)),  # 2147483648
        (0xC1E0_0000_0000_0000, 32, (W_MIN, 0)),  # -2147483648
        (0xC1E0_0000_0020_0000, 32, (W_MAX, INVALID)),  # -2147483649
        (0x43E0_0000_0000_0000, 64, (L_MAX, INVALID)),  # 2**63
        (0x43DF_FFFF_FFFF_FFFF, 64, (0x7FFF_FFFF_FFFF_FC00, 0)),
        (0xC3E0_0000_0000_0000, 64, (0x8000_0000_0000_0000, 0)),
        (0xC3E0_0000_0000_0001, 64, (L_MAX, INVALID)),
        (0x8000_0000_0000_0000, 64, (0, 0)),
        (0x7FF0_0000_0000_0000, 64, (L_MAX, INVALID)),
        (0xFFF0_0000_0000_0000, 32, (W_MAX, INVALID)),
        (0x7FF0_0000_0000_0001, 32, (W_MAX, INVALID)),
        (1, 32, (0, INEXACT | DENORMAL)),
    ],
)
def test_to_integer_of_exact_and_invalid_values(a: int, width: int, result: tuple[int, int]) -> None:
    assert DOUBLE.to_integer(a, width, TO_ZERO) == result


def test_from_integer() -> None:
    assert [SINGLE.from_integer(0, rm) for rm in MODES] == [(0, 0)] * 4
    assert SINGLE.from_integer(-1, NEAREST) == (0xBF80_0000, 0)
    assert SINGLE.from_integer(-(2**31), NEAREST) == (0xCF00_0000, 0)
    # 2**24 + 1 is halfway between 2**24 and 2**24 + 2
    assert [SINGLE.from_integer(2**24 + 1, rm) for rm in MODES] == [
        (0x4B80_0000, INEXACT), (0x4B80_0000, INEXACT), (0x4B80_0001, INEXACT), (0x4B80_0000, INEXACT)
    ]  # fmt: skip
    assert SINGLE.from_integer(2**31 - 1, NEAREST) == (0x4F00_0000, INEXACT)
    assert DOUBLE.from_integer(2**53 + 1, NEAREST) == (0x4340_0000_0000_0000, INEXACT)
    assert DOUBLE.from_integer(2**31 - 1, NEAREST) == (0x41DF_FFFF_FFC0_0000, 0)


def test_single_to_double_is_exact() -> None:
    assert DOUBLE.convert(SINGLE, 0x3FC0_0000, DOWN) == (0x3FF8_0000_0000_0000, 0)
    assert DOUBLE.convert(SINGLE, 0xFF80_0000, DOWN) == (0xFFF0_0000_0000_0000, 0)
    assert DOUBLE.convert(SINGLE, MINUS, DOWN) == (0x8000_0000_0000_0000, 0)
    assert DOUBLE.convert(SINGLE, 1, NEAREST) == (0x36A0_0000_0000_0000, DENORMAL)
    assert DOUBLE.convert(SINGLE, 0x7FBF_FFFF, NEAREST) == (0x7FF7_FFFF_E000_0000, QUIET_NAN)
    assert DOUBLE.convert(SINGLE, 0x7FC0_0000, NEAREST) == (DOUBLE.default_nan, INVALID)


def test_double_to_single_rounds_and_may_leave_the_range() -> None:
    def narrow(a: int) -> list[int]:
        return [SINGLE.convert(DOUBLE, a, rm)[0] for rm in MODES]

    assert narrow(0x3FF0_0000_1000_0000) == [ONE, ONE, ONE + 1, ONE]  # 1 + 2**-24
    assert narrow(0x3FF0_0000_3000_0000) == [ONE + 2, ONE + 1, ONE + 2, ONE + 1]
    assert narrow(0x47EF_FFFF_EFFF_FFFF) == [LARGEST, LARGEST, INFINITY, LARGEST]
    assert narrow(0x47EF_FFFF_F000_0000) == [INFINITY, LARGEST, INFINITY, LARGEST]
    assert SINGLE.convert(DOUBLE, 0x3690_0000_0000_0000, NEAREST) == (0, SUBNORMAL)  # 2**-150, halfway to 2**-149
    assert SINGLE.convert(DOUBLE, 0x36A0_0000_0000_0000, NEAREST) == (1, TINY)
    assert SINGLE.convert(DOUBLE, 1, UP) == (1, SUBNORMAL | DENORMAL)
    # A quiet NaN stays one, even where the kept part of its fraction is empty.
    assert SINGLE.convert(DOUBLE, 0x7FF0_0000_0000_0001, NEAREST) == (SINGLE.default_nan, QUIET_NAN)
    assert SINGLE.convert(DOUBLE, 0xFFF1_0000_0000_0001, NEAREST) == (0xFF88_0000, QUIET_NAN)


@FORMATS
def test_identities_of_arithmetic_hold(fmt: Format) -> None:
    one = fmt.infinity >> 1 & fmt.infinity
    random = Random(1)
    for a, b in pairs(fmt, random, 2000):
        rm = random.randrange(4)
        assert fmt.add(a, b, rm) == fmt.add(b, a, rm)
        assert fmt.mul(a, b, rm) == fmt.mul(b, a, rm)
        assert fmt.sub(a, a, rm)[0] == (fmt.sign if rm == DOWN else 0)
        assert fmt.mul(a, one, rm)[0] == a
        assert fmt.div(a, one, rm)[0] == a
        # Mirror image: the opposite operands round to the opposite result in the mirrored mode.
        mirrored = (NEAREST, TO_ZERO, DOWN, UP)[rm]
        bits, flags = fmt.mul(a, b, rm)
        assert fmt.mul(a ^ fmt.sign, b, mirrored) == (bits ^ fmt.sign, flags)


def test_single_survives_the_way_through_double() -> None:
    random = Random(2)
    for _ in range(2000):
        a = operand(SINGLE, random)
        assert SINGLE.convert(DOUBLE, DOUBLE.convert(SINGLE, a, NEAREST)[0], random.randrange(4))[0] == a
