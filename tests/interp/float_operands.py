"""Operands for the floating-point tests: the corners where a rounding, a carry or a range check goes wrong.

``cases`` follows the published practice of testing floating point by structure (from memory): every sign, exponents at
and around the extremes, significands that are runs of ones from either end, all pairs of these; then halfway cases and
results next to the smallest normal number, which such pairs hardly reach; then random ones.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from itertools import chain, islice, product
from random import Random

from float_chip import Pair

from interp.optable import Row
from interp.softfloat import DOUBLE, NEAREST, SINGLE, Format

#: Structured pairs of operands that each operation on two has to be judged on, at least, in each rounding mode.
PAIRS = 46_464


def exponent_fields(fmt: Format) -> list[int]:
    """Exponent fields at and around zero, one, the extremes and the width of a significand."""
    largest = fmt.infinity >> fmt.fraction_bits
    bias = largest >> 1
    p = fmt.precision
    around_one = [bias - p, bias - 2, bias - 1, bias, bias + 1, bias + p - 1, bias + p, bias + p + 1]
    around_ends = [0, 1, 2, p - 1, p, p + 1, largest - p, largest - 2, largest - 1]
    return [*around_ends, *around_one, bias + 31, bias + 62, bias + 63]


# --- random operands --------------------------------------------------------------------------------------------------


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


def pairs(fmt: Format, random: Random, count: int) -> Iterator[Pair]:
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


# --- structured operands ----------------------------------------------------------------------------------------------


def runs(fmt: Format) -> list[int]:
    """Fraction fields: runs of ones of every length from the least and from the most significant end, short of full."""
    lengths = range(1, fmt.fraction_bits)
    return [bits for k in lengths for bits in ((1 << k) - 1, fmt.fraction >> k << k)]


def specials(fmt: Format) -> list[int]:
    """Both infinities, and quiet and signalling NaNs with fractions at their ends."""
    fractions = (0, 1, fmt.signalling - 1, fmt.signalling, fmt.fraction)
    return [sign | fmt.infinity | fraction for sign in (0, fmt.sign) for fraction in fractions]


@cache
def structured(fmt: Format) -> tuple[int, ...]:
    """Numbers whose pairs are few enough to take all: both signs, few exponents, each run with one of them at least.

    Every exponent comes with an empty and a full fraction too.
    """
    largest = fmt.infinity >> fmt.fraction_bits
    bias, p = largest >> 1, fmt.precision
    exponents = [0, 1, 2, p, bias - p, bias - 1, bias, bias + 1, bias + p, largest - p, largest - 2, largest - 1]
    left = runs(fmt)
    each = max(7, -(-len(left) // len(exponents)))
    found: list[int] = []
    for number, exponent in enumerate(exponents):
        some = [left[(number * each + k) % len(left)] for k in range(each)]
        found += [
            sign | exponent << fmt.fraction_bits | fraction
            for sign in (0, fmt.sign)
            for fraction in (0, *some, fmt.fraction)
        ]
    return (*found, *specials(fmt))


def all_runs(fmt: Format) -> Iterator[int]:
    """Single numbers: both signs, many exponents, all runs with each."""
    fractions = (0, *runs(fmt), fmt.fraction)
    for sign, exponent, fraction in product((0, fmt.sign), sorted(set(exponent_fields(fmt))), fractions):
        yield sign | exponent << fmt.fraction_bits | fraction


def near_smallest_normal(fmt: Format, random: Random, count: int) -> Iterator[Pair]:
    """Pairs whose product is within a few last places of the smallest normal number, about half of them below it.

    Random operands hardly ever land here, and a soft-float that calls every such result tiny, or none, passes them.
    """
    bias = fmt.infinity >> fmt.fraction_bits >> 1
    for _ in range(count):
        a = random.randrange(4, bias) << fmt.fraction_bits | significand(fmt, random)
        b = fmt.div(fmt.smallest_normal, a, NEAREST)[0] + random.randrange(-3, 4)
        yield a | random.choice((0, fmt.sign)), b


def _quotients_near_smallest_normal(fmt: Format, random: Random) -> Iterator[Pair]:
    bias = fmt.infinity >> fmt.fraction_bits >> 1
    while True:
        b = random.randrange(bias + 2, 2 * bias - 2) << fmt.fraction_bits | significand(fmt, random)
        a = fmt.mul(fmt.smallest_normal, b, NEAREST)[0] + random.randrange(-3, 4)
        yield a, b | random.choice((0, fmt.sign))


def _halfway_sums(fmt: Format, random: Random) -> Iterator[Pair]:
    """The second is half a last place of the first, or one last place of its own from there."""
    largest = fmt.infinity >> fmt.fraction_bits
    while True:
        exponent = random.randrange(fmt.precision + 2, largest)
        a = exponent << fmt.fraction_bits | significand(fmt, random)
        b = (exponent - fmt.precision << fmt.fraction_bits) + random.choice((0, 0, 1, -1))
        yield a | random.choice((0, fmt.sign)), b | random.choice((0, fmt.sign))


def _halfway_products(fmt: Format, random: Random) -> Iterator[Pair]:
    """Odd significands of as many bits together as the result has, and one or two more."""
    bias, p = fmt.infinity >> fmt.fraction_bits >> 1, fmt.precision
    while True:
        bits = random.randrange(2, p)
        pair = [
            bias + random.randrange(-20, 20) << fmt.fraction_bits
            | random.choice((0, fmt.sign))
            | (random.getrandbits(n - 1) << p - n | 1 << p - n) & fmt.fraction
            for n in (bits, p + 1 - bits)
        ]
        yield pair[0], pair[1]


def _halfway_quotients(fmt: Format, random: Random) -> Iterator[Pair]:
    """A subnormal result from a division by a power of two: no quotient of the normal range lies halfway."""
    p = fmt.precision
    while True:
        lost = random.randrange(1, p)
        trailing = random.choice((1 << lost - 1, (1 << lost - 1) - 1, (1 << lost - 1) + 1))
        a = random.randrange(1, 2 * p) << fmt.fraction_bits | random.getrandbits(fmt.fraction_bits) >> lost << lost
        exponent = (a >> fmt.fraction_bits) - 1 + lost + (fmt.infinity >> fmt.fraction_bits >> 1)
        yield (a | trailing) & ~fmt.sign | random.choice((0, fmt.sign)), exponent << fmt.fraction_bits


_TARGETED = {
    "add": (_halfway_sums,),
    "sub": (_halfway_sums,),
    "mul": (_halfway_products, lambda fmt, random: near_smallest_normal(fmt, random, 1 << 30)),
    "div": (_halfway_quotients, _quotients_near_smallest_normal),
}


def _halfway_doubles(random: Random) -> Iterator[int]:
    """Doubles in the range of single and just outside it, within two last places of halfway between two singles.

    One in eight is just below the smallest normal single.
    """
    while True:
        if random.randrange(8) == 0:
            below = 1 << random.choice((28, 29, 30))
            distance = below + random.randrange(-2, 3) if random.randrange(2) else random.randrange(1, below)
            yield random.choice((0, DOUBLE.sign)) | (0x381 << 52) - distance
            continue
        exponent = random.choice((0x36A, 0x380, 0x381, 0x3FF, 0x47E, random.randrange(0x368, 0x480)))
        dropped = 29 + max(0, 0x381 - exponent)  # below the smallest normal single, more bits go
        fraction = random.getrandbits(52) >> dropped << dropped if dropped < 53 else 0
        tail = (1 << min(dropped, 52) - 1) + random.randrange(-2, 3)
        yield random.choice((0, DOUBLE.sign)) | exponent << 52 | (fraction | tail) & DOUBLE.fraction


def _near_integers(fmt: Format, random: Random) -> Iterator[int]:
    """Halves, and neighbours of integers, of halves and of the ends of words and doublewords."""
    while True:
        magnitude = random.getrandbits(random.randrange(1, 65))
        if random.randrange(4) == 0:
            magnitude = 1 << random.choice((31, 32, 52, 53, 54, 62, 63, 64))
        bits = fmt.from_integer(2 * magnitude + random.choice((0, 1)), NEAREST)[0]
        if bits > fmt.smallest_normal:
            bits -= fmt.smallest_normal  # half of it
        yield random.choice((0, fmt.sign)) | max(0, bits + random.choice((0, 0, 1, -1)))


def integers(width: int, precision: int, random: Random) -> Iterator[int]:
    """Encodings of integers: ends, powers of two and their neighbours, halfway cases of a precision, any length."""
    mask = (1 << width) - 1
    for k in range(width):
        for magnitude in ((1 << k) - 1, 1 << k, (1 << k) + 1):
            yield from (magnitude & mask, -magnitude & mask)
    for lost in range(1, width - precision):
        for _ in range(40):
            halfway = (random.getrandbits(precision) | 1 << precision - 1) << lost | 1 << lost - 1
            yield random.choice((halfway, -halfway)) + random.choice((0, 0, 1, -1)) & mask
    while True:
        magnitude = random.getrandbits(width) >> random.randrange(width)
        yield random.choice((magnitude, -magnitude)) & mask


# --- the operands of a row --------------------------------------------------------------------------------------------


def format_of(letter: str) -> Format | None:
    """The format of a letter of a mnemonic; None for the integers W and L."""
    return {"s": SINGLE, "d": DOUBLE}.get(letter)


def has_two(row: Row) -> bool:
    """Whether a row has two floating-point operands."""
    return "ft" in row.operands


@cache
def cases(row: Row, part: int = 1) -> tuple[Pair, ...]:
    """The operands of a floating-point row, 0 for one that it lacks; one in ``part`` of them.

    Of the structured pairs it is one in ``part`` of ``PAIRS``, which is fewer than there are.
    """
    random = Random(f"{row.name} {part}")
    stem, *_, source = row.name.split(".")
    fmt = format_of(source)
    if has_two(row):
        assert fmt is not None
        every = list(product(structured(fmt), repeat=2))
        some = every if part == 1 else random.sample(every, -(-PAIRS // part))
        targeted = [islice(make(fmt, random), 3000 // part) for make in _TARGETED.get(stem, ())]
        return (*some, *chain(*targeted), *pairs(fmt, random, 3000 // part))
    if fmt is None:
        to = format_of(row.name.split(".")[1])
        assert to is not None
        singles = list(islice(integers(row.fp_in, to.precision, random), 8000 // part))
    else:
        every_run = list(all_runs(fmt))
        singles = [*specials(fmt), *random.sample(every_run, -(-len(every_run) // part))]
        extra = _halfway_doubles(random) if row.name == "cvt.s.d" else _near_integers(fmt, random)
        singles += islice(extra, 4000 // part)
        singles += (operand(fmt, random) for _ in range(3000 // part))
    return tuple((single, 0) for single in singles)
