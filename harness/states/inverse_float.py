"""What one operand of a floating-point operation would have to hold for a wanted result, or a compare to go its way.

Values are computed with the host's doubles: a proposal may be off in its last bit, and the next one starts from there.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterator

from harness.states.terms import Made

_M32 = 0xFFFF_FFFF
_NAN = {"s": 0x7FBF_FFFF, "d": 0x7FF7_FFFF_FFFF_FFFF}  # the chip's quiet NaNs
_ARITHMETIC: dict[str, Callable[[float, float, int], float]] = {
    "add": lambda wanted, other, index: wanted - other,
    "sub": lambda wanted, other, index: other - wanted if index else wanted + other,
    "mul": lambda wanted, other, index: wanted / other,
    "div": lambda wanted, other, index: other / wanted if index else wanted * other,
    "neg": lambda wanted, other, index: -wanted,
    "abs": lambda wanted, other, index: wanted,
    "sqrt": lambda wanted, other, index: wanted * wanted,
    "mov": lambda wanted, other, index: wanted,
}
#: In the order of their encoding (R4000 manual, appendix B).
_CONDITIONS = (
    *("f", "un", "eq", "ueq", "olt", "ult", "ole", "ule"),
    *("sf", "ngle", "seq", "ngl", "lt", "nge", "le", "ngt"),
)
_TO_INTEGER = frozenset(("trunc", "round", "ceil", "floor"))


def operand(made: Made, index: int, target: int) -> Iterator[int]:
    """Bits of operand ``index`` for a result with the bits ``target``; of a compare, for it to hold (1) or not (0)."""
    name, *formats = made.name.split(".")
    try:
        if name == "c":
            yield from _compared(made, index, formats[0], formats[1], bool(target))
        elif name in _ARITHMETIC:
            wanted = number(target, formats[0])
            other = number(made.values[1 - index], formats[0]) if len(made.values) > 1 else 0.0
            yield bits(_ARITHMETIC[name](wanted, other, index), formats[0])
        elif name == "cvt" or name in _TO_INTEGER:
            yield from _converted(name, target, *formats)
    except (ZeroDivisionError, OverflowError, ValueError):
        return  # no such number


def same_operand(made: Made, target: int) -> Iterator[int]:
    """Bits of the operand of an operation that has it on both sides."""
    name, form = made.name.split(".")[0], made.name.rsplit(".", 1)[-1]
    wanted = number(target, form) if name in ("add", "mul") else math.nan
    if math.isfinite(wanted) and (name == "add" or wanted >= 0):
        yield bits(wanted / 2 if name == "add" else math.sqrt(wanted), form)


def number(value: int, form: str) -> float:
    """What bits stand for: ``s`` and ``d`` floating point, ``w`` and ``l`` integers."""
    if form in "sd":
        packed = (value & _M32).to_bytes(4, "big") if form == "s" else (value & (1 << 64) - 1).to_bytes(8, "big")
        return float(struct.unpack(">f" if form == "s" else ">d", packed)[0])
    width = 32 if form == "w" else 64
    value &= (1 << width) - 1
    return float(value - (1 << width) if value >> width - 1 else value)


def bits(value: float, form: str) -> int:
    """The bits that stand for a number, rounded to nearest.

    Errors: ``OverflowError`` and ``ValueError`` for a number that the format does not have.
    """
    if form in "sd":
        return int.from_bytes(struct.pack(">f" if form == "s" else ">d", value), "big")
    integer, limit = math.floor(value), 1 << (31 if form == "w" else 63)
    if not -limit <= integer < limit:
        raise OverflowError
    return integer


def _converted(name: str, target: int, to: str, source: str) -> Iterator[int]:
    wanted = number(target, to)
    yield bits(wanted, source)
    if to in "wl":
        yield bits(wanted + math.copysign(0.25, wanted), source)
    elif source in "wl":
        yield bits(wanted + 1.0, source)


def _compared(made: Made, index: int, test: str, form: str, holds: bool) -> Iterator[int]:
    """What lies beside the other side, on it, far from it, or is unordered, if the compare then comes out as wanted."""
    other = number(made.values[1 - index], form)
    if math.isnan(other):
        return
    beside = max(abs(other) / 1024, 2.0**-20)
    for candidate in (*(other + step for step in (0.0, beside, -beside, 1000.0, -1000.0, other, -3 * other)), math.nan):
        sides = (candidate, other) if index == 0 else (other, candidate)
        if _holds(test, *sides) is holds:
            yield _NAN[form] if math.isnan(candidate) else bits(candidate, form)


def _holds(test: str, left: float, right: float) -> bool:
    """A compare by the bits of its condition: unordered 1, equal 2, less 4."""
    condition = _CONDITIONS.index(test) & 7
    if math.isnan(left) or math.isnan(right):
        return bool(condition & 1)
    return bool(condition & 2) if left == right else left < right and bool(condition & 4)
