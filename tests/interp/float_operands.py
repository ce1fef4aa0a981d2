"""Operands for the floating-point tests: the corners where a rounding, a carry or a range check goes wrong."""

from __future__ import annotations

from collections.abc import Iterator
from random import Random

from interp.softfloat import NEAREST, Format


def exponent_fields(fmt: Format) -> list[int]:
    """Exponent fields at and around zero, one, the extremes and the width of a significand."""
    largest = fmt.infinity >> fmt.fraction_bits
    bias = largest >> 1
    p = fmt.precision
    around_one = [bias - p, bias - 2, bias - 1, bias, bias + 1, bias + p - 1, bias + p, bias + p + 1]
    around_ends = [0, 1, 2, p - 1, p, p + 1, largest - p, largest - 2, largest - 1]
    return [*around_ends, *around_one, bias + 31, bias + 62, bias + 63]


def significand(fmt: Format, random: Random) -> int:
    """A fraction field: empty, full, runs of ones from either end, one bit, a few bits, or anything."""
    n = fmt.fraction_bits
    k = random.randrange(n + 1)
    match random.randrange(8):
        case 0:
            return 0
        case 1:
            return fmt.fraction
        case 2:
            return (1 << k) - 1
        case 3:
            return fmt.fraction >> k << k
        case 4:
            return (1 << k) & fmt.fraction
        case 5:
            return (fmt.fraction >> k << k) ^ 1
        case 6:
            return random.getrandbits(max(1, n // 2)) << (n - n // 2)  # products of two such are often halfway
        case _:
            return random.getrandbits(n)


def operand(fmt: Format, random: Random) -> int:
    """A finite number; one in four has any exponent, the others one of ``exponent_fields``."""
    largest = fmt.infinity >> fmt.fraction_bits
    exponent = random.randrange(largest) if random.randrange(4) == 0 else random.choice(exponent_fields(fmt))
    return random.choice((0, fmt.sign)) | exponent << fmt.fraction_bits | significand(fmt, random)


def pairs(fmt: Format, random: Random, count: int) -> Iterator[tuple[int, int]]:
    """Pairs of finite numbers; half of them near enough for the smaller one to decide the rounding of a sum."""
    largest = fmt.infinity >> fmt.fraction_bits
    for _ in range(count):
        a = operand(fmt, random)
        b = operand(fmt, random)
        if random.randrange(2):
            distance = random.choice((0, 1, 2, fmt.precision - 1, fmt.precision, fmt.precision + 1, fmt.precision + 2))
            exponent = ((a & fmt.infinity) >> fmt.fraction_bits) - distance
            b = b & ~fmt.infinity | max(0, min(exponent, largest - 1)) << fmt.fraction_bits
        yield a, b


def near_smallest_normal(fmt: Format, random: Random, count: int) -> Iterator[tuple[int, int]]:
    """Pairs whose product is within a few last places of the smallest normal number, about half of them below it.

    Random operands hardly ever land here, and a soft-float that calls every such result tiny, or none, passes them.
    """
    bias = fmt.infinity >> fmt.fraction_bits >> 1
    for _ in range(count):
        a = random.randrange(4, bias) << fmt.fraction_bits | significand(fmt, random)
        b = fmt.div(fmt.smallest_normal, a, NEAREST)[0] + random.randrange(-3, 4)
        yield a | random.choice((0, fmt.sign)), b
