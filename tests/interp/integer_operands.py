"""Operands of integer probes: corners, and random values near them and of random length; all signed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain, count, product
from random import Random
from typing import TypeVar

from interp.words import sext

WORDS = (
    *(0, 1, -1, 2, -2, 7, 10, 31, 32, 33, 63, 64, 0x7F, 0x80, -0x80, 0x7FFF, 0x8000, -0x8000, 0xFFFF, 0x1_0000),
    *(0x7FFF_FFFF, -0x8000_0000, -0x7FFF_FFFF, 0x7FFF_FFFE, 0x5555_5555, -0x5555_5556),
)
#: Words and what is not a sign-extended word.
WIDE = (
    *WORDS,
    *(0x8000_0000, 0xFFFF_FFFF, 0x1_0000_0000, -0x1_0000_0000, -0x8000_0001),
    *((1 << 63) - 1, -1 << 63, 1 - (1 << 63)),
)
IMMEDIATES = (0, 1, -1, 2, -2, 31, 0xFF, -0x100, 0x7FFF, 0x7FFE, -0x8000, -0x7FFF, 0x5555, -0x5556)

_T = TypeVar("_T")


def value(rng: Random, wide: bool) -> int:
    """One value; a sign-extended word unless ``wide``."""
    bits = 64 if wide and rng.randrange(2) else 32
    kind = rng.randrange(4)
    if kind == 0:
        return rng.choice(WIDE if wide else WORDS)
    if kind == 1:
        return sext((rng.getrandbits(1) << bits - 1) + rng.randrange(-0x8000, 0x8000), bits)
    return sext(rng.getrandbits(bits) >> (rng.randrange(bits) if kind == 2 else 0), bits)


def pairs(rng: Random, wide: bool) -> Iterator[tuple[int, int]]:
    """All pairs of corners, then random pairs without end; none twice."""
    corners = WIDE if wide else WORDS
    return _distinct(chain(product(corners, corners), ((value(rng, wide), value(rng, wide)) for _ in count())))


def singles(rng: Random, wide: bool, immediate: int = 0) -> Iterator[int]:
    """What lies next to an immediate, all corners, then random values without end; none twice."""
    near = (immediate - 1, immediate, immediate + 1, immediate & 0xFFFF)
    return _distinct(chain(near, WIDE if wide else WORDS, (value(rng, wide) for _ in count())))


def _distinct(items: Iterable[_T]) -> Iterator[_T]:
    seen: set[_T] = set()
    for item in items:
        if item not in seen:
            seen.add(item)
            yield item
