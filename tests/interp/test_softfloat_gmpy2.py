"""The soft-float's values against MPFR, through gmpy2's IEEE contexts.

MPFR reports underflow for exact subnormals too, so its underflow flag is not used: that a result is tiny is asked of a
second context of the same precision whose exponent is unbounded.
"""

from __future__ import annotations

import importlib.util
from dataclasses import dataclass
from functools import cache
from random import Random
from typing import Any

import pytest
from float_operands import near_smallest_normal, operand, pairs

from interp.softfloat import DOUBLE, INEXACT, INVALID, OVERFLOW, SINGLE, TINY, UNDERFLOW, Format

gmpy2: Any = importlib.import_module("gmpy2") if importlib.util.find_spec("gmpy2") else None
pytestmark = pytest.mark.cross("module:gmpy2")


def round_only(x: Any) -> Any:
    """``x`` rounded to the context (gmpy2 has no such function; a product with 1 keeps the sign of zero)."""
    return gmpy2.mul(x, 1)


@dataclass(frozen=True)
class Mpfr:
    """One format in MPFR: the IEEE contexts, and unbounded ones of the same precision, by rounding mode."""

    fmt: Format
    ieee: tuple[Any, ...]
    unbounded: tuple[Any, ...]

    def value(self, a: int) -> Any:
        """The finite number that ``a`` encodes."""
        exponent = (a & self.fmt.infinity) >> self.fmt.fraction_bits
        fraction = a & self.fmt.fraction
        magnitude = gmpy2.mpfr(fraction + self.fmt.smallest_normal if exponent else fraction, self.fmt.precision)
        magnitude = gmpy2.mul_2exp(magnitude, max(exponent, 1) - 1)
        magnitude = gmpy2.div_2exp(magnitude, -self.fmt.quantum)
        return -magnitude if a & self.fmt.sign else magnitude

    def encode(self, value: Any) -> int:
        """The encoding of a value of the format."""
        sign = self.fmt.sign if gmpy2.is_signed(value) else 0
        if gmpy2.is_infinite(value):
            return self.fmt.infinity | sign
        if not value:
            return sign
        mantissa, exponent = value.as_mantissa_exp()
        magnitude, scale = abs(int(mantissa)), int(exponent) - self.fmt.quantum
        drop = magnitude.bit_length() - self.fmt.precision
        unit = max(0, scale + drop)
        shift = unit - scale
        kept = magnitude >> shift if shift > 0 else magnitude << -shift
        assert (kept << shift if shift > 0 else kept >> -shift) == magnitude, "not a value of the format"
        return sign | (unit << self.fmt.fraction_bits) + kept

    def expect(self, operation: Any, rm: int, *operands: Any) -> tuple[int, int]:
        """Encoding and flags of an operation on finite operands with a number as its result."""
        with gmpy2.context(self.unbounded[rm]):
            free = operation(*operands)
            tiny = bool(free) and abs(free) < self.value(self.fmt.smallest_normal)
        with gmpy2.context(self.ieee[rm]) as context:
            context.clear_flags()
            value = operation(*operands)
            flags = (INEXACT if context.inexact else 0) | (OVERFLOW if context.overflow else 0)
        if tiny:
            flags |= TINY | (UNDERFLOW if flags & INEXACT else 0)
        return self.encode(value), flags


@cache
def mpfr_of(fmt: Format) -> Mpfr:
    """The contexts of a format."""
    ieee = gmpy2.ieee(64 if fmt is DOUBLE else 32)
    roundings = (gmpy2.RoundToNearest, gmpy2.RoundToZero, gmpy2.RoundUp, gmpy2.RoundDown)
    return Mpfr(
        fmt,
        tuple(gmpy2.context(ieee, round=rounding) for rounding in roundings),
        tuple(gmpy2.context(precision=fmt.precision, round=rounding) for rounding in roundings),
    )


FORMATS = pytest.mark.parametrize("fmt", [SINGLE, DOUBLE], ids=["single", "double"])
IEEE = 0x1F | TINY


def check_pairs(fmt: Format, random: Random, count: int) -> None:
    mpfr = mpfr_of(fmt)
    for a, b in pairs(fmt, random, count):
        x, y = mpfr.value(a), mpfr.value(b)
        rm = random.randrange(4)
        for name in ("add", "sub", "mul", "div"):
            if name == "div" and not y:
                continue
            bits, flags = getattr(fmt, name)(a, b, rm)
            assert (bits, flags & IEEE) == mpfr.expect(getattr(gmpy2, name), rm, x, y), f"{name} {a:x} {b:x} rm {rm}"


def check_roots(fmt: Format, random: Random, count: int) -> None:
    mpfr = mpfr_of(fmt)
    for _ in range(count):
        a = operand(fmt, random) & ~fmt.sign
        rm = random.randrange(4)
        bits, flags = fmt.sqrt(a, rm)
        assert (bits, flags & IEEE) == mpfr.expect(gmpy2.sqrt, rm, mpfr.value(a)), f"sqrt {a:x} rm {rm}"


def check_edge_of_subnormals(fmt: Format, random: Random, count: int) -> tuple[int, int]:
    """Counts results that are tiny and those that are not."""
    mpfr = mpfr_of(fmt)
    tiny = 0
    for a, b in near_smallest_normal(fmt, random, count):
        rm = random.randrange(4)
        bits, flags = fmt.mul(a, b, rm)
        assert (bits, flags & IEEE) == mpfr.expect(gmpy2.mul, rm, mpfr.value(a), mpfr.value(b)), f"{a:x} {b:x} rm {rm}"
        tiny += bool(flags & TINY)
    return tiny, count - tiny


def check_narrowing(random: Random, count: int) -> None:
    mpfr = mpfr_of(SINGLE)
    for _ in range(count):
        a = operand(DOUBLE, random)
        if random.randrange(2):  # near the range of single, and often within two units of a halfway case
            exponent = random.choice((0x36A, 0x380, 0x381, 0x3FF, 0x47E, random.randrange(0x368, 0x480)))
            a = a & ~DOUBLE.infinity | exponent << DOUBLE.fraction_bits
            a = a & ~((1 << 29) - 1) | (1 << 28) + random.randrange(-2, 3)
        rm = random.randrange(4)
        bits, flags = SINGLE.convert(a, DOUBLE, rm)
        expected = mpfr.expect(round_only, rm, mpfr_of(DOUBLE).value(a))
        assert (bits, flags & IEEE) == expected, f"convert {a:x} rm {rm}"


def check_integers(fmt: Format, random: Random, count: int) -> None:
    mpfr = mpfr_of(fmt)
    to_integral = (gmpy2.rint_round, gmpy2.rint_trunc, gmpy2.rint_ceil, gmpy2.rint_floor)
    for _ in range(count):
        rm = random.randrange(4)
        width = random.choice((32, 64))
        integer = random.getrandbits(random.randrange(1, width)) + random.randrange(-1, 2)
        integer *= random.choice((1, -1))
        with gmpy2.context(precision=64):
            exact = gmpy2.mpfr(integer)
        bits, flags = fmt.from_integer(integer, rm)
        assert (bits, flags) == mpfr.expect(round_only, rm, exact), f"from_integer {integer} rm {rm}"
        a = operand(fmt, random)
        if random.randrange(2):  # an integer or a neighbour of one
            a = bits + random.randrange(-1, 2) if bits & ~fmt.sign else bits
        value = mpfr.value(a)
        with gmpy2.context(precision=64, round=gmpy2.RoundToNearest):
            nearest = gmpy2.rint(value)  # to even in a half way case; the other three have no ties
            integral = nearest if rm == 0 else to_integral[rm](value)
        bits, flags = fmt.to_integer(a, width, rm)
        if -(2 ** (width - 1)) <= integral < 2 ** (width - 1):
            expected = (int(integral) & (1 << width) - 1, INEXACT if integral != value else 0)
        else:
            expected = ((1 << width - 1) - 1, INVALID)
        assert (bits, flags & IEEE) == expected, f"to_integer {a:x} width {width} rm {rm}"


@FORMATS
def test_sums_products_and_quotients_agree_with_mpfr(fmt: Format) -> None:
    check_pairs(fmt, Random(11), 8000)


@FORMATS
def test_roots_agree_with_mpfr(fmt: Format) -> None:
    check_roots(fmt, Random(12), 8000)


@FORMATS
def test_results_at_the_edge_of_the_subnormals_agree_with_mpfr(fmt: Format) -> None:
    tiny, normal = check_edge_of_subnormals(fmt, Random(13), 8000)
    assert tiny > 1000 and normal > 1000, "the operands must reach both sides of the edge"


def test_narrowing_agrees_with_mpfr() -> None:
    check_narrowing(Random(14), 8000)


@FORMATS
def test_integer_conversions_agree_with_mpfr(fmt: Format) -> None:
    check_integers(fmt, Random(15), 8000)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(8))
@FORMATS
def test_a_larger_campaign_agrees_with_mpfr(fmt: Format, seed: int) -> None:
    random = Random(1000 + seed)
    check_pairs(fmt, random, 60_000)
    check_roots(fmt, random, 60_000)
    check_edge_of_subnormals(fmt, random, 60_000)
    check_narrowing(random, 60_000)
    check_integers(fmt, random, 60_000)
