"""What the R4300 makes of an IEEE result: FCR31, its exceptions, and the operations it leaves to software.

The soft-float gives the IEEE result with flags and remarks. The chip gives up on some operands and results and raises
an unimplemented-operation exception for software to finish (cause E, which has no enable): a quiet NaN or denormal
operand, a tiny result that it may not flush to zero, a conversion to integers out of range. Inside
``ieee_when_unimplemented`` the IEEE result stands instead, and the use of it is noted as open.

FCR31: RM 1..0, flags 6..2, enables 11..7 and cause 16..12 (each V Z O U I), E 17, C 23, FS 24. Every arithmetic
operation, conversion and compare rewrites the cause bits; one with its enable set raises an exception and leaves flags
and destination alone.

Sources: R4K p. 161-165, 190-196 and V5K (NEC U11761EJ6V0UM) p. 188-192, 208-212, except where "from memory" is said.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from interp.events import open_, trap
from interp.softfloat import (
    DENORMAL,
    DOWN,
    IEEE_FLAGS,
    INEXACT,
    INVALID,
    QUIET_NAN,
    TINY,
    UNDERFLOW,
    UP,
    Format,
    Result,
)
from interp.words import bit, select, sext64

WRITABLE = 0x0183_FFFF  #: the bits that CTC1 changes
_FLAGS_AT, _ENABLES_AT, _CAUSE_AT = 2, 7, 12
_CAUSE_AND_FLAG = 1 << _CAUSE_AT | 1 << _FLAGS_AT  # both bits of an exception
_CAUSE = 0x3F << _CAUSE_AT
_UNIMPLEMENTED = 1 << 17
_CONDITION = 1 << 23
_FLUSH = 1 << 24

_software = False


@contextmanager
def ieee_when_unimplemented() -> Iterator[None]:
    """Gives IEEE results where the chip would raise an unimplemented-operation exception."""
    global _software
    before, _software = _software, True
    try:
        yield
    finally:
        _software = before


def rounding(fcsr: int) -> int:
    """The rounding mode RM."""
    return fcsr & 3


def condition(fcsr: int) -> bool:
    """Whether the condition bit C is set."""
    return fcsr & _CONDITION != 0


def with_condition(cond: bool, fcsr: int) -> int:
    """FCR31 with C set or clear."""
    return fcsr & ~_CONDITION | bit(cond) * _CONDITION


def written(value: int) -> int:
    """What CTC1 leaves in FCR31. Raises: at once what the new cause bits and enables ask for."""
    after = value & WRITABLE
    trap("unimplemented-operation", after & _UNIMPLEMENTED, fcsr=after)
    trap("fp-exception", after >> _CAUSE_AT & after >> _ENABLES_AT & IEEE_FLAGS, fcsr=after)
    return after


def unimplemented(cond: object, fcsr: int) -> None:
    """Raises: unimplemented-operation where the condition holds, with cause E alone."""
    if _software:
        open_("unimplemented-operation", cond)
    else:
        trap("unimplemented-operation", cond, fcsr=fcsr & ~_CAUSE | _UNIMPLEMENTED)


def record(flags: int, fcsr: int) -> int:
    """FCR31 after an operation that raised ``flags``. Raises: fp-exception where one of them is enabled."""
    if fcsr >> _ENABLES_AT & flags:
        trap("fp-exception", True, fcsr=fcsr & ~_CAUSE | flags << _CAUSE_AT)
    return fcsr & ~_CAUSE | flags * _CAUSE_AND_FLAG


def settle(fmt: Format, result: Result, fcsr: int) -> Result:
    """Bits and FCR31 after an operation with a floating-point result."""
    bits, flags = result
    if flags > IEEE_FLAGS:
        bits, flags = _heed_remarks(fmt, bits, flags, fcsr)
    return bits, record(flags, fcsr)


def settle_integer(result: Result, fcsr: int) -> Result:
    """Bits and FCR31 after a conversion to integers.

    Raises: unimplemented-operation for what no integer of the width stands for (from memory; R4K App. B has V), for
    denormal operands, and for doublewords outside -2**53 .. 2**53 - 1.
    """
    bits, flags = result
    value = sext64(bits)
    unimplemented((flags & (INVALID | DENORMAL) != 0) | (value >> 53 != value >> 63), fcsr)
    return bits, record(flags & IEEE_FLAGS, fcsr)


def _heed_remarks(fmt: Format, bits: int, flags: int, fcsr: int) -> Result:
    """Bits and IEEE flags of a result with remarks: left to software, or tiny and flushed as FS allows."""
    flush = fcsr & _FLUSH
    trapped = fcsr >> _ENABLES_AT & (UNDERFLOW | INEXACT)
    unimplemented(flags & (QUIET_NAN | DENORMAL) or (flags & TINY and (not flush or trapped)), fcsr)
    if flags & TINY and flush:
        # V5K table 8-4; that U is raised with I is from memory.
        negative = bits & fmt.sign
        away = rounding(fcsr) == (DOWN if negative else UP)
        return negative | select(away, fmt.smallest_normal, 0), UNDERFLOW | INEXACT
    return bits, flags & IEEE_FLAGS
