"""Floating-point moves and branches (R4K App. B; p. 154-163): bits as they are, no exception raised.

The machine hands over 32 or 64 bits of a register and takes them back; what FR makes of register numbers is its affair.
"""

from interp.events import trap
from interp.fcsr import condition, written
from interp.optable import Kind, row
from interp.words import sext32, sext64, zext32, zext64


@row("mfc1", "010001 00000 ttttt ddddd 00000000000", "t,fs", narrow="always", fp_in=32)
def mfc1(fs: int) -> int:
    """A word, sign-extended."""
    return sext32(fs)


@row("dmfc1", "010001 00001 ttttt ddddd 00000000000", "t,fs", fp_in=64)
def dmfc1(fs: int) -> int:
    """A doubleword."""
    return sext64(fs)


@row("mtc1", "010001 00100 ttttt ddddd 00000000000", "t,fs", to="fs", fp_out=32)
def mtc1(t: int) -> int:
    """The low word of a general register."""
    return zext32(t)


@row("dmtc1", "010001 00101 ttttt ddddd 00000000000", "t,fs", to="fs", fp_out=64)
def dmtc1(t: int) -> int:
    """A general register."""
    return zext64(t)


@row("cfc1", "010001 00010 ttttt ddddd 00000000000", "t,k", narrow="always")
def cfc1(k: int, fcsr: int) -> int:
    """FCR31. Raises: refused for FCR0, whose value is the chip's own, and the reserved ones."""
    trap("refused", k != 31)
    return sext32(fcsr)


@row("ctc1", "010001 00110 ttttt ddddd 00000000000", "t,k", to="fcsr")
def ctc1(k: int, t: int) -> int:
    """The new FCR31. Raises: what its cause bits and enables ask for (V5K p. 191); refused for other registers."""
    trap("refused", k != 31)
    return written(t)


@row("bc1t", "010001 01000 00001 iiiiiiiiiiiiiiii", "p", kind=Kind.BRANCH)
@row("bc1tl", "010001 01000 00011 iiiiiiiiiiiiiiii", "p", kind=Kind.LIKELY)
def bc1t(fcsr: int) -> bool:
    """Whether the last compare held."""
    return condition(fcsr)


@row("bc1f", "010001 01000 00000 iiiiiiiiiiiiiiii", "p", kind=Kind.BRANCH)
@row("bc1fl", "010001 01000 00010 iiiiiiiiiiiiiiii", "p", kind=Kind.LIKELY)
def bc1f(fcsr: int) -> bool:
    """Whether the last compare did not hold."""
    return condition(fcsr) == False  # noqa: E712 - a symbolic condition has no `not`
