"""What the R4300 makes of an IEEE result, written from the manuals for the tests and not from the interpreter.

A judge of arithmetic gives an ``Answer``: bits and the flags of IEEE 754. ``after`` says what the instruction then
leaves: which results the chip refuses, what FS does, FCR31, traps. NaNs have the old encoding, a signalling one has the
most significant fraction bit set.

Sources: R4K (MIPS R4000 Microprocessor User's Manual, 2nd ed.) p. 161-165, 190-196; V5K (NEC U11761EJ6V0UM) p. 188-192,
208-212. From memory for the R4300: which conversions are left to software, that a denormal operand goes before a
signalling NaN, and that FS raises U with I.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

from interp.optable import Row

#: The flags, in the order of the flag, enable and cause fields of FCR31.
INEXACT, UNDERFLOW, OVERFLOW, DIVISION_BY_ZERO, INVALID = 1, 2, 4, 8, 16
TINY = 32  #: beside them: not zero, and below the smallest normal number when rounded; exact or not

#: They change the sign and round nothing, so that their result is not what a tiny one is.
SIGN_OPERATIONS = ("abs", "neg")

FLAG, ENABLE, CAUSE = 2, 7, 12  # lowest bits of the three fields
ALL_CAUSES, UNIMPLEMENTED, CONDITION, FLUSH = 0x3F << CAUSE, 1 << 17, 1 << 23, 1 << 24
NEAREST, TO_ZERO, UP, DOWN = range(4)

TRAPS = ("", "fp-exception", "unimplemented-operation")


class Layout:
    """A format by its fields."""

    def __init__(self, width: int, fraction_bits: int) -> None:
        self.width = width
        self.fraction_bits = fraction_bits
        self.sign = 1 << width - 1
        self.smallest_normal = 1 << fraction_bits
        self.infinity = self.sign - self.smallest_normal
        self.signalling = 1 << fraction_bits - 1
        self.default_nan = self.infinity | self.signalling - 1

    def is_nan(self, bits: int) -> bool:
        return bits & ~self.sign > self.infinity

    def is_quiet(self, bits: int) -> bool:
        return self.is_nan(bits) and not bits & self.signalling

    def is_denormal(self, bits: int) -> bool:
        return 0 < bits & ~self.sign < self.smallest_normal


LAYOUTS = {"s": Layout(32, 23), "d": Layout(64, 52)}


class Answer(NamedTuple):
    """What a judge says: bits of the result (of a compare 1 or 0, the condition), flags with TINY."""

    bits: int
    flags: int


Pair = tuple[int, int]


class Judge(NamedTuple):
    """Who answers an operation in a rounding mode on many operands; None to those that it cannot judge."""

    name: str
    answers: Callable[[Operation, int, Sequence[Pair]], list[Answer | None]]


class After(NamedTuple):
    """What an instruction leaves: bits of fd, None where it is untouched; FCR31; an index into TRAPS."""

    bits: int | None
    fcsr: int
    trap: int


@dataclass(frozen=True)
class Operation:
    """What the name of a row says: ``convert`` for all conversions; the rounding mode where it has one of its own.

    ``operand`` and ``result`` are formats, None for integers.
    """

    stem: str
    source: str
    to: str
    operand: Layout | None
    result: Layout | None
    mode: int | None = None
    condition: int = 0


_OWN_MODES = {"round": NEAREST, "trunc": TO_ZERO, "ceil": UP, "floor": DOWN}


@cache
def operation(row: Row) -> Operation:
    """Reads the name of a row; a compare's condition is its low four bits (R4K App. B, C.cond.fmt)."""
    stem, *middle, source = row.name.split(".")
    if stem == "c":
        return Operation("compare", source, source, LAYOUTS[source], None, condition=row.match & 15)
    to = middle[0] if middle else source
    name = "convert" if middle else stem
    return Operation(name, source, to, LAYOUTS.get(source), LAYOUTS.get(to), _OWN_MODES.get(stem))


def _manual(op: Operation, _mode: int, operands: Sequence[Pair]) -> list[Answer | None]:
    """MOV, and NaN operands of the others (R4K p. 165, 193, 196; B C.cond)."""
    if op.stem == "mov":
        return [Answer(a, 0) for a, _ in operands]
    layout = op.operand
    if layout is None:
        return [None] * len(operands)
    return [_of_nan(op, layout, a, b) for a, b in operands]


def _of_nan(op: Operation, layout: Layout, a: int, b: int) -> Answer | None:
    if not (layout.is_nan(a) or layout.is_nan(b)):
        return None
    signalling = any(layout.is_nan(bits) and not layout.is_quiet(bits) for bits in (a, b))
    if op.stem == "compare":
        return Answer(op.condition & 1, INVALID if signalling or op.condition & 8 else 0)
    if op.result is None:
        return Answer(0x7FFF_FFFF if op.to == "w" else 0x7FFF_FFFF_FFFF_FFFF, INVALID)
    if signalling:
        return Answer(op.result.default_nan, INVALID)
    if op.stem in SIGN_OPERATIONS:
        return Answer(a & ~layout.sign if op.stem == "abs" else a ^ layout.sign, 0)
    return Answer(a if layout.is_nan(a) else b, 0) if op.source == op.to else Answer(op.result.default_nan, 0)


MANUAL = Judge("manual", _manual)


def after(op: Operation, a: int, b: int, fcsr: int, answer: Answer, ieee: bool) -> After:
    """What the chip leaves, or with ``ieee`` what is left where results that it refuses are given after all."""
    bits, flags = answer
    kept = fcsr & ~ALL_CAUSES
    if op.stem == "mov":
        return After(bits, fcsr, 0)
    enabled = fcsr >> ENABLE & 0x1F
    tiny = flags & TINY != 0 and op.stem not in SIGN_OPERATIONS
    flushed = tiny and fcsr & FLUSH != 0
    if not ieee and op.stem != "compare":
        given_up = tiny and not (flushed and not enabled & (UNDERFLOW | INEXACT))
        if given_up or _left_to_software(op, a, b, bits, flags):
            return After(None, kept | UNIMPLEMENTED, 2)
    if flushed:
        bits, flags = _flush(op, bits, fcsr & 3), UNDERFLOW | INEXACT
    raised = flags & 0x1F
    if raised & enabled:
        return After(None, kept | raised << CAUSE, 1)
    status = kept | raised << CAUSE | raised << FLAG
    if op.stem == "compare":
        return After(None, status | CONDITION if bits else status & ~CONDITION, 0)
    return After(bits, status, 0)


def _left_to_software(op: Operation, a: int, b: int, bits: int, flags: int) -> bool:
    """Operands that the chip refuses, and results of conversions: R4K p. 195-196, V5K p. 211-212."""
    layout = op.operand
    if layout is None:  # a doubleword whose bits 63 to 55 differ
        return op.source == "l" and a >> 55 not in (0, 0x1FF)
    if layout.is_denormal(a) or layout.is_denormal(b):
        return True
    if op.result is None:  # invalid, or a doubleword outside -2**53 .. 2**53 - 1
        return flags & INVALID != 0 or (op.to == "l" and bits >> 53 not in (0, 0x7FF))
    return flags & INVALID == 0 and (layout.is_nan(a) or layout.is_nan(b))


def _flush(op: Operation, bits: int, mode: int) -> int:
    """A tiny result with FS set (V5K table 8-4)."""
    assert op.result is not None
    sign = bits & op.result.sign
    return sign | (op.result.smallest_normal if mode == (DOWN if sign else UP) else 0)
