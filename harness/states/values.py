"""The values that input words take: corners, favourites of the code, plausible floats, and plain chance.

Every function draws from the generator it is given and from nothing else, so that a state follows from its seed.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from random import Random

from harness.states.model import Input, Kind
from harness.states.words import sign_extended

_TEXT = b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 .,:;-+/*%#x_()\"'\n\t"
#: Runs of one class of characters reach further into parsers than mixed text does.
_CLASSES = (b"0123456789", b"abcdefghijklmnopqrstuvwxyz", b"0123456789ABCDEFabcdef", b" \t", b"+-.,:/")
_PLAIN_NUMBERS = (0.0, -0.0, 1.0, -1.0, 0.5, 2.0, -2.0, 3.0, 10.0, 100.0, 0.1, 3.14159265)


def draw(rng: Random, item: Input, constants: Sequence[int], tameness: int = 0) -> int:
    """A value for one input that is no pointer, as wide as its place; narrow registers get canonical values.

    With a ``tameness`` of 1 or 3 half of the values are small numbers, with 2 nearly all.
    """
    bits = 8 * item.place.size
    tame = tameness > 0 and rng.random() < (0.5, 0.9, 0.5)[tameness - 1]
    if item.values:
        value = _allowed(rng, item)
    elif item.kind is Kind.COUNT:
        value = _count(rng, item)
    elif item.favourites and rng.random() < 0.4:
        value = rng.choice(item.favourites)
    elif item.kind is Kind.FLOAT:
        value = float_bits(rng, tame)
    elif item.kind is Kind.DOUBLE:
        value = double_bits(rng, tame)
    elif item.kind is Kind.DOUBLE_HIGH:
        value = double_bits(rng, tame) >> 32
    elif item.kind is Kind.DOUBLE_LOW:
        value = rng.choice((0, rng.getrandbits(32)))
    else:
        value = rng.randrange(16) if tame else integer(rng, bits, constants)
    if item.place.room in ("gpr", "hi", "lo") and (not item.wide or (item.narrow and rng.random() < 0.75)):
        return sign_extended(value)
    return value & ((1 << bits) - 1)


def integer(rng: Random, bits: int, constants: Sequence[int]) -> int:
    """An unsigned integer of ``bits`` bits: corners, neighbours of powers of two, constants of the code, or chance."""
    mask = (1 << bits) - 1
    kind = rng.randrange(12)
    if kind == 0:
        value = rng.choice((0, 1, -1))
    elif kind <= 2:
        value = rng.randrange(-8, 32)
    elif kind == 3:
        value = (1 << bits - 1) - rng.randrange(2)
    elif kind == 4:
        value = (1 << rng.randrange(bits)) + rng.randrange(-1, 2)
    elif kind == 5:
        value = -1 << rng.randrange(bits)
    elif kind == 6:
        value = rng.choice((0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x1_0000))
    elif kind == 7 and constants:
        value = rng.choice(constants) + rng.randrange(-1, 2)
    elif kind == 8:
        value = rng.choice(_TEXT)
    elif kind == 9:
        value = rng.getrandbits(rng.randrange(1, bits + 1))
    else:
        value = rng.getrandbits(bits)
    return value & mask


def float_bits(rng: Random, tame: bool = False) -> int:
    """The bits of a plausible binary32: zero, infinite, or normal of middling size."""
    return int.from_bytes(struct.pack(">f", _number(rng, tame)), "big")


def double_bits(rng: Random, tame: bool = False) -> int:
    """The bits of a plausible binary64: zero, infinite, or normal of middling size."""
    return int.from_bytes(struct.pack(">d", _number(rng, tame)), "big")


def _number(rng: Random, tame: bool) -> float:
    if tame:
        return rng.randrange(64) / 8
    kind = rng.randrange(10)
    if kind < 3:
        return rng.choice(_PLAIN_NUMBERS)
    if kind < 5:
        return rng.uniform(-1.0, 1.0)
    if kind < 7:
        return rng.uniform(-1000.0, 1000.0)
    if kind == 7:
        return float(rng.randrange(-100, 1000))
    if kind == 8 or rng.random() < 0.9:
        return rng.uniform(-2.0, 2.0) * 2.0 ** rng.randrange(-40, 41)
    return rng.choice((math.inf, -math.inf))


def _count(rng: Random, item: Input) -> int:
    """A count below the limit, the smaller ones more often."""
    return rng.randrange(item.limit) if rng.random() < 0.6 else rng.randrange(min(item.limit, 5))


def _allowed(rng: Random, item: Input) -> int:
    """One of the values that the user allows: the first and the last, favourites among them, and chance."""
    mask = (1 << 8 * item.place.size) - 1
    kind = rng.randrange(8)
    if kind < 2:
        return item.values[-kind]
    if kind < 4 and item.favourites:
        value = rng.choice(item.favourites)
        signed = value - mask - 1 if value > mask >> 1 else value
        return next((one for one in (value, signed) if one in item.values), item.values[0])
    count = item.values[-1] - item.values[0] + 1 if isinstance(item.values, range) else len(item.values)
    return item.values[rng.randrange(min(count, 16) if kind < 6 else count)]


def filling(rng: Random, size: int, unit: int, kind: Kind) -> bytes:
    """``size`` bytes for an object whose elements are mostly ``unit`` bytes wide and of ``kind``.

    What the elements hold is drawn once for the whole object: zeros, chance, text, small numbers, corners or floats.
    """
    if kind is Kind.FLOAT:
        return b"".join(float_bits(rng).to_bytes(4, "big") for _ in range(size // 4 + 1))[:size]
    if kind in (Kind.DOUBLE, Kind.DOUBLE_HIGH, Kind.DOUBLE_LOW):
        return b"".join(double_bits(rng).to_bytes(8, "big") for _ in range(size // 8 + 1))[:size]
    choice = rng.randrange(8)
    if choice == 0:
        return bytes(size)
    if choice == 1:
        return rng.randbytes(size)
    if unit == 1 and choice < 7:
        return _text(rng, size)
    mask = (1 << 8 * unit) - 1
    if choice < 6:
        elements = [rng.randrange(-4, 24) & mask for _ in range(size // unit + 1)]
    else:
        elements = [integer(rng, 8 * unit, ()) for _ in range(size // unit + 1)]
    return b"".join(element.to_bytes(unit, "big") for element in elements)[:size]


def _text(rng: Random, size: int) -> bytes:
    """Zero-terminated text: runs of one class of characters, or a mixture."""
    length = rng.randrange(max(1, size))
    text = bytearray()
    while len(text) < length:
        alphabet = rng.choice(_CLASSES) if rng.random() < 0.7 else _TEXT
        text += bytes(rng.choices(alphabet, k=rng.randrange(1, 9)))
    return bytes(text[:length]) + bytes(size - length)
