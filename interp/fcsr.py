"""What the R4300 makes of an IEEE result: FCR31, its exceptions, and the operations it leaves to software.

The soft-float gives the IEEE result with flags and remarks. The chip gives up on some operands and results and raises
an unimplemented-operation exception for software to finish (cause E, which has no enable): a quiet NaN or denormal
operand, a tiny result that it may not flush to zero, a conversion to integers out of range.

FCR31: RM 1..0, flags 6..2, enables 11..7 and cause 16..12 (each V Z O U I), E 17, C 23, FS 24. Every arithmetic
operation, conversion and compare rewrites the cause bits; one with its enable set raises an exception and leaves flags
and destination alone.

Sources: R4K p. 161-165, 190-196 and V5K (NEC U11761EJ6V0UM) p. 188-192, 208-212, except where "from memory" is said.
"""

from interp.events import open_, trap
from interp.softfloat import DENORMAL, DOUBLE, DOWN, IEEE_FLAGS, INEXACT, QUIET_NAN, SINGLE, TINY, UNDERFLOW, UP, Result
from interp.words import M32, select

WRITABLE = 0x0183_FFFF  #: the bits that CTC1 changes
LEFT = 256  #: remark of a conversion, beside those of the soft-float: the chip leaves its operand to software
ENABLES = 0x1F << 7
RAISED = 1 << 12 | 1 << 2  #: cause and flag of the lowest exception: a multiplier
STEADY = 0x3F << 12 | ENABLES | 1 << 2  #: what tells whether one more inexact result changes anything: if not RAISED
KEPT = ~(0x3F << 12) & M32  #: what an operation leaves as it was: all but the cause bits
_UNIMPLEMENTED = 1 << 17
CONDITION = 1 << 23
_FLUSH = 1 << 24


def condition(fcsr: int) -> bool:
    """Whether the condition bit C is set."""
    return fcsr & CONDITION != 0


def written(value: int) -> int:
    """What CTC1 leaves in FCR31. Raises: at once what the new cause bits and enables ask for."""
    after = value & WRITABLE
    trap("unimplemented-operation", after & _UNIMPLEMENTED, fcsr=after)
    trap("fp-exception", after >> 12 & after >> 7 & IEEE_FLAGS, fcsr=after)
    return after


def settle(result: int, flags: int, fcsr: int, width: int, ieee: bool) -> Result:
    """Result and FCR31 after an operation that gave ``result`` of ``width`` bits with IEEE ``flags`` and remarks.

    With ``ieee`` the IEEE result stands where the chip would leave it to software, and its use is noted as open.
    Raises: unimplemented-operation, with cause E alone, where a remark says so; fp-exception where a flag is enabled.
    """
    enabled = fcsr >> 7 & IEEE_FLAGS
    flush = flags & TINY and fcsr & _FLUSH
    left = flags & (QUIET_NAN | DENORMAL | LEFT)
    if flags & TINY and (not flush or enabled & (UNDERFLOW | INEXACT)):
        left |= TINY
    if ieee:
        open_("unimplemented-operation", left)
    else:
        trap("unimplemented-operation", left, fcsr=fcsr & KEPT | _UNIMPLEMENTED)
    if flush:
        result, flags = _flushed(result, fcsr & 3, width), UNDERFLOW | INEXACT
    flags &= IEEE_FLAGS
    trap("fp-exception", enabled & flags, fcsr=fcsr & KEPT | flags << 12)
    return result, fcsr & KEPT | flags * RAISED


def _flushed(bits: int, rm: int, width: int) -> int:
    """What FS makes of a tiny result (V5K table 8-4; that U is raised with I is from memory)."""
    fmt = SINGLE if width == 32 else DOUBLE
    negative = bits & fmt.sign
    return negative | select(rm == (DOWN if negative else UP), fmt.smallest_normal, 0)
