"""MPFR as a judge of floating-point operations, through gmpy2's IEEE contexts.

MPFR reports underflow for exact subnormals too, so its underflow flag is not used: whether a result is tiny is asked of
a second context of the same precision whose exponent is unbounded. NaN operands are not asked about: their encoding and
signals are the processor's own.
"""

from __future__ import annotations

import importlib.util
import struct
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

from float_chip import (
    DIVISION_BY_ZERO,
    INEXACT,
    INVALID,
    LAYOUTS,
    OVERFLOW,
    TINY,
    UNDERFLOW,
    Answer,
    Judge,
    Operation,
    Pair,
)

gmpy2: Any = importlib.import_module("gmpy2") if importlib.util.find_spec("gmpy2") else None


def _round_only(x: Any) -> Any:
    """``x`` rounded to the context (gmpy2 has no such function; a product with 1 keeps the sign of zero)."""
    return gmpy2.mul(x, 1)


def _function(stem: str) -> Callable[..., Any]:
    own = {"abs": abs, "neg": lambda x: -x, "convert": _round_only}
    return own.get(stem) or getattr(gmpy2, stem)


@cache
def _contexts(letter: str) -> tuple[tuple[Any, Any], ...]:
    """By rounding mode, the IEEE context of a format and an unbounded one of the same precision."""
    ieee = gmpy2.ieee(LAYOUTS[letter].width)
    modes = (gmpy2.RoundToNearest, gmpy2.RoundToZero, gmpy2.RoundUp, gmpy2.RoundDown)
    return tuple(
        (gmpy2.context(ieee, round=mode), gmpy2.context(precision=ieee.precision, round=mode)) for mode in modes
    )


@cache
def exact(letter: str, bits: int) -> Any:
    """The exact value of an encoding; None for a NaN."""
    if letter in "wl":
        width = 32 if letter == "w" else 64
        bits &= (1 << width) - 1
        with gmpy2.context(precision=64):
            return gmpy2.mpfr(bits - (bits >> width - 1 << width))
    layout = LAYOUTS[letter]
    if layout.is_nan(bits):
        return None
    # Python's floats are binary64, which holds every single too.
    form, code = (">f", ">I") if letter == "s" else (">d", ">Q")
    with gmpy2.context(precision=53):
        return gmpy2.mpfr(*struct.unpack(form, struct.pack(code, bits)))


def _encoding(letter: str, value: Any) -> int:
    form, code = (">f", ">I") if letter == "s" else (">d", ">Q")
    (bits,) = struct.unpack(code, struct.pack(form, float(value)))
    return int(bits)


def _answers(op: Operation, mode: int, operands: Sequence[Pair]) -> list[Answer | None]:
    """The answers in a rounding mode, or the operation's own; None for NaN operands."""
    mode = mode if op.mode is None else op.mode
    if op.stem == "mov":  # no arithmetic
        return [None] * len(operands)
    if op.stem == "compare":
        return [_compared(op, a, b) for a, b in operands]
    if op.result is None:
        return [_to_integer(op, mode, a) for a, _ in operands]
    return _computed(op, mode, operands)


def _compared(op: Operation, a: int, b: int) -> Answer | None:
    x, y = exact(op.source, a), exact(op.source, b)
    if x is None or y is None:
        return None
    holds = (op.condition & 4 and x < y) or (op.condition & 2 and x == y)
    return Answer(int(bool(holds)), 0)


def _to_integer(op: Operation, mode: int, a: int) -> Answer | None:
    value, width = exact(op.source, a), 32 if op.to == "w" else 64
    if value is None:
        return None
    rint = (gmpy2.rint, gmpy2.rint_trunc, gmpy2.rint_ceil, gmpy2.rint_floor)[mode]  # the first to even, by the context
    with gmpy2.context(precision=64, round=gmpy2.RoundToNearest):
        whole = rint(value)
    if not -(2 ** (width - 1)) <= whole < 2 ** (width - 1):
        return Answer((1 << width - 1) - 1, INVALID)
    return Answer(int(whole) & (1 << width) - 1, INEXACT if whole != value else 0)


def _computed(op: Operation, mode: int, operands: Sequence[Pair]) -> list[Answer | None]:
    layout = LAYOUTS[op.to]
    function, two = _function(op.stem), op.stem in ("add", "sub", "mul", "div")
    ieee, unbounded = _contexts(op.to)[mode]
    smallest = exact(op.to, layout.smallest_normal)
    found: list[Answer | None] = []
    for a, b in operands:
        x = exact(op.source, a)
        y = exact(op.source, b) if two else x
        if x is None or y is None:
            found.append(None)
            continue
        values = (x, y) if two else (x,)
        with gmpy2.context(ieee) as context:
            context.clear_flags()
            result = function(*values)
            if result.is_nan():
                found.append(Answer(layout.default_nan, INVALID))
                continue
            flags = context.inexact * INEXACT | context.overflow * OVERFLOW | context.divzero * DIVISION_BY_ZERO
        bits = _encoding(op.to, result)
        if bits & ~layout.sign <= layout.smallest_normal and (result or flags):
            with gmpy2.context(unbounded):
                if 0 < abs(function(*values)) < smallest:
                    flags |= TINY | (UNDERFLOW if flags & INEXACT else 0)
        found.append(Answer(bits, flags))
    return found


MPFR = Judge("MPFR", _answers)
