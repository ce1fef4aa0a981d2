"""Value classes: what kinds of operand there are, and for each the classes in which lowerings go wrong apart.

A class is a name with representatives. A value belongs to the class that lists it, else to the open class of its kind
that its sign and size name, so that every value has exactly one. The corners are those of published floating-point test
practice (zeros, extremes, NaNs, infinities) and of two's complement (R4K App. A: what is a sign-extended word).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from random import Random


class ValueKind(StrEnum):
    """What an operand holds."""

    WORD = "word"  # sign-extended in a 64-bit register
    LONG = "long"
    BYTE = "byte"  # in memory, as the next one
    HALF = "half"
    COUNT = "count"  # a shift count in a register
    SINGLE = "single"
    DOUBLE = "double"
    CONTROL = "control"  # a word that is written to FCR31
    STATUS = "status"  # FCR31 as it stands: no bit set that cannot be written


@dataclass(frozen=True, slots=True)
class _Classes:
    """The classes of a kind.

    Widths: ``bits`` of a value, which is unsigned. ``listed`` gives the representatives of each class; ``otherwise``
    names the class of any other value, and ``draw`` draws one for each name that it gives.
    """

    bits: int
    listed: Mapping[str, tuple[int, ...]]
    otherwise: Callable[[int], str]
    draw: Mapping[str, Callable[[Random], int]]


def _powers(low: int, high: int, off: int) -> tuple[int, ...]:
    return tuple((1 << k) + off for k in range(low, high))


def _integers(bits: int, border: tuple[int, ...] = ()) -> dict[str, tuple[int, ...]]:
    """The listed classes of two's complement numbers; ``border`` are the places where a narrower lowering turns."""
    top = 1 << bits - 1
    listed: dict[str, tuple[int, ...]] = {
        "zero": (0,),
        "one": (1,),
        "minus one": (-1,),
        "largest": (top - 1,),
        "smallest": (-top,),
        "next to an extreme": (top - 2, 1 - top),
    }
    if border:
        listed["word border"] = border
    taken = {value for values in listed.values() for value in values}
    for name, values in (
        ("halfword border", (0x7FFF, 0x8000, 0xFFFF, -0x8000, -0x8001)),
        ("power of two", _powers(1, bits - 1, 0)),
        ("next to a power", (*_powers(2, bits - 1, 1), *_powers(2, bits - 1, -1))),
        ("minus a power", tuple(-value for value in _powers(1, bits - 1, 0))),
    ):
        listed[name] = tuple(value for value in dict.fromkeys(values) if value not in taken)
        taken.update(listed[name])
    mask = (1 << bits) - 1
    return {name: tuple(value & mask for value in values) for name, values in listed.items()}


def _word_sign(value: int) -> str:
    return "negative" if value >> 31 else "positive"


def _long_sign(value: int) -> str:
    size = "word" if value + 0x8000_0000 & 0xFFFF_FFFF_FFFF_FFFF < 1 << 32 else "long"
    return f"{'negative' if value >> 63 else 'positive'} {size}"


_WORD_BORDER = (0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFF, 1 << 32, -0x8000_0000, -0x8000_0001, -(1 << 32))


def _small(bits: int) -> _Classes:
    """Classes of a memory item narrower than a word."""
    top = 1 << bits - 1
    return _Classes(
        bits,
        {"zero": (0,), "one": (1,), "minus one": (2 * top - 1,), "largest": (top - 1,), "smallest": (top,)},
        lambda value: "negative" if value & top else "positive",
        {
            "positive": lambda rng: rng.randrange(2, top - 1),
            "negative": lambda rng: rng.randrange(top + 1, 2 * top - 1),
        },
    )


_COUNTS = {
    "0": (0,),
    "1 to 30": tuple(range(1, 31)),
    "31": (31,),
    "32": (32,),
    "33 to 62": tuple(range(33, 63)),
    "63": (63,),
    "64 and up": (64, 65, 95, 96, 0x7FFF_FFFF),
    "negative": tuple(-n & 0xFFFF_FFFF_FFFF_FFFF for n in (1, 2, 31, 32, 33, 63, 64, 1 << 31)),
}


def _floats(bits: int, fraction: int, bias: int) -> dict[str, tuple[int, ...]]:
    """The listed classes of a binary format (IEEE 754; the chip's NaNs: R4K p. 190)."""
    sign, one, infinity = 1 << bits - 1, bias << fraction, (2 * bias + 1) << fraction
    quiet = 1 << fraction - 1  # set, it makes the NaN signalling on this chip

    def both(*values: int) -> tuple[int, ...]:
        return tuple(v | s for v in values for s in (0, sign))

    integers = (1 << 31) - 128 if bits == 32 else (1 << 31) - 1

    def number(value: float) -> int:
        return int.from_bytes(struct.pack(">f" if bits == 32 else ">d", value), "big")

    return {
        "plus zero": (0,),
        "minus zero": (sign,),
        "one": both(one),
        "next to one": both(one - 1, one + 1),
        "halves": both(number(0.5), number(1.5), number(2.5), number(3.5)),
        "integer": both(*(number(float(n)) for n in (2, 3, 10, 255, 65536, integers))),
        "word border": both(number(2.0**31), number(2.0**32)),
        "smallest normal": both(1 << fraction),
        "just above it": both((1 << fraction) + 1, 2 << fraction),
        "largest": both(infinity - 1),
        "infinity": both(infinity),
        "denormal": both(1, (1 << fraction) - 1),
        "quiet nan": both(infinity + 1, infinity + quiet - 1),
        "signalling nan": both(infinity + quiet, infinity + 2 * quiet - 1),
    }


def _float_size(bits: int, fraction: int, bias: int) -> Callable[[int], str]:
    """Names the class of a bit pattern that is not listed, by its exponent."""

    def name(value: int) -> str:
        exponent = value >> fraction & 2 * bias + 1
        if exponent == 0:
            return "denormal"
        if exponent == 2 * bias + 1:
            return "signalling nan" if value >> fraction - 1 & 1 else "quiet nan"
        distance = exponent - bias
        return "small" if distance < -fraction else "large" if distance > fraction else "middling"

    return name


def _draw_float(bits: int, fraction: int, bias: int, low: int, high: int) -> Callable[[Random], int]:
    """Draws a number whose exponent lies from ``low`` up to below ``high``."""

    def draw(rng: Random) -> int:
        exponent = rng.randrange(low, high) + bias
        return rng.getrandbits(1) << bits - 1 | exponent << fraction | rng.getrandbits(fraction)

    return draw


def _format(bits: int, fraction: int) -> _Classes:
    bias = (1 << bits - fraction - 2) - 1
    draws = {"middling": (-4, 5), "small": (2 - bias, -fraction), "large": (fraction + 1, bias)}
    return _Classes(
        bits,
        _floats(bits, fraction, bias),
        _float_size(bits, fraction, bias),
        {name: _draw_float(bits, fraction, bias, low, high) for name, (low, high) in draws.items()},
    )


def _status(further: Mapping[str, tuple[int, ...]]) -> _Classes:
    """Classes of FCR31 by field. Source: R4K p. 161-163."""
    return _Classes(
        32,
        {
            "zero": (0,),
            "rounding": (1, 2, 3),
            "condition": (1 << 23,),
            "flush": (1 << 24,),
            "flags": tuple(1 << n for n in range(2, 7)),
            "enables": tuple(1 << n for n in range(7, 12)),
            "cause": tuple(1 << n for n in range(12, 17)),
            **further,
        },
        lambda value: "several fields",
        {"several fields": lambda rng: rng.getrandbits(25) & ~(0x3F << 12) & ~(0x1F << 18)},
    )


_CLASSES: dict[ValueKind, _Classes] = {
    ValueKind.WORD: _Classes(
        32,
        _integers(32),
        _word_sign,
        {
            "positive": lambda rng: rng.randrange(3, 0x7FFF_0000),
            "negative": lambda rng: rng.randrange(0x8001_0000, 0xFFFF_0000),
        },
    ),
    ValueKind.LONG: _Classes(
        64,
        _integers(64, _WORD_BORDER),
        _long_sign,
        {
            "positive word": lambda rng: rng.randrange(3, 0x7FFF_0000),
            "negative word": lambda rng: (1 << 64) - rng.randrange(0x1_0000, 0x7FFF_0000),
            "positive long": lambda rng: rng.randrange(1 << 33, 1 << 62),
            "negative long": lambda rng: rng.randrange((1 << 63) + (1 << 33), (1 << 64) - (1 << 33)),
        },
    ),
    ValueKind.BYTE: _small(8),
    ValueKind.HALF: _small(16),
    ValueKind.COUNT: _Classes(64, _COUNTS, lambda value: "64 and up" if value < 1 << 63 else "negative", {}),
    ValueKind.SINGLE: _format(32, 23),
    ValueKind.DOUBLE: _format(64, 52),
    ValueKind.CONTROL: _status({"read-only bits": (1 << 18, 1 << 31, 0xFE7C_0000)}),
    ValueKind.STATUS: _status({}),
}


def width(kind: ValueKind) -> int:
    """Widths: bits of a value of ``kind``; a word and a count fill a 64-bit register sign-extended."""
    return _CLASSES[kind].bits


def names(kind: ValueKind) -> tuple[str, ...]:
    """The classes of ``kind``, in order."""
    classes = _CLASSES[kind]
    return tuple(dict.fromkeys((*(name for name, values in classes.listed.items() if values), *classes.draw)))


def class_of(kind: ValueKind, value: int) -> str:
    """The one class that an unsigned ``value`` of ``kind`` is in."""
    return _by_value(kind).get(value) or _CLASSES[kind].otherwise(value)


def value_in(kind: ValueKind, name: str, rng: Random) -> int:
    """An unsigned value of class ``name``."""
    classes = _CLASSES[kind]
    if values := classes.listed.get(name):
        return rng.choice(values)
    while True:  # the ranges hold few listed values
        value = classes.draw[name](rng)
        if class_of(kind, value) == name:
            return value


@cache
def _by_value(kind: ValueKind) -> dict[int, str]:
    return {value: name for name, values in _CLASSES[kind].listed.items() for value in values}
