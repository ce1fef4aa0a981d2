"""Floating-point arithmetic, conversions and compares (R4K App. B; p. 190-196), in opcode order.

The soft-float gives the IEEE result in the mode of FCR31, or in a row's own; ``settle`` says what the chip makes of it.
A meaning returns its bits and the new FCR31. Raises, unless a row says otherwise: fp-exception for what is enabled,
unimplemented-operation for quiet NaN and denormal operands and tiny results. MOV is no arithmetic and never raises.
"""

from __future__ import annotations

from interp.fcsr import record, rounding, settle, settle_integer, unimplemented, with_condition
from interp.optable import Kind, row
from interp.softfloat import DOUBLE, DOWN, NEAREST, SINGLE, TO_ZERO, UP, Result
from interp.words import sext32, sext64


@row("add.s", "010001 10000 ttttt ddddd aaaaa 000000", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def add_s(fs: int, ft: int, fcsr: int) -> Result:
    """The sum."""
    return settle(SINGLE, SINGLE.add(fs, ft, rounding(fcsr)), fcsr)


@row("add.d", "010001 10001 ttttt ddddd aaaaa 000000", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def add_d(fs: int, ft: int, fcsr: int) -> Result:
    """The sum."""
    return settle(DOUBLE, DOUBLE.add(fs, ft, rounding(fcsr)), fcsr)


@row("sub.s", "010001 10000 ttttt ddddd aaaaa 000001", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def sub_s(fs: int, ft: int, fcsr: int) -> Result:
    """fs - ft."""
    return settle(SINGLE, SINGLE.sub(fs, ft, rounding(fcsr)), fcsr)


@row("sub.d", "010001 10001 ttttt ddddd aaaaa 000001", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def sub_d(fs: int, ft: int, fcsr: int) -> Result:
    """fs - ft."""
    return settle(DOUBLE, DOUBLE.sub(fs, ft, rounding(fcsr)), fcsr)


@row("mul.s", "010001 10000 ttttt ddddd aaaaa 000010", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def mul_s(fs: int, ft: int, fcsr: int) -> Result:
    """The product."""
    return settle(SINGLE, SINGLE.mul(fs, ft, rounding(fcsr)), fcsr)


@row("mul.d", "010001 10001 ttttt ddddd aaaaa 000010", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def mul_d(fs: int, ft: int, fcsr: int) -> Result:
    """The product."""
    return settle(DOUBLE, DOUBLE.mul(fs, ft, rounding(fcsr)), fcsr)


@row("div.s", "010001 10000 ttttt ddddd aaaaa 000011", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def div_s(fs: int, ft: int, fcsr: int) -> Result:
    """fs / ft."""
    return settle(SINGLE, SINGLE.div(fs, ft, rounding(fcsr)), fcsr)


@row("div.d", "010001 10001 ttttt ddddd aaaaa 000011", "fd,fs,ft", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def div_d(fs: int, ft: int, fcsr: int) -> Result:
    """fs / ft."""
    return settle(DOUBLE, DOUBLE.div(fs, ft, rounding(fcsr)), fcsr)


@row("sqrt.s", "010001 10000 00000 ddddd aaaaa 000100", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def sqrt_s(fs: int, fcsr: int) -> Result:
    """The square root."""
    return settle(SINGLE, SINGLE.sqrt(fs, rounding(fcsr)), fcsr)


@row("sqrt.d", "010001 10001 00000 ddddd aaaaa 000100", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def sqrt_d(fs: int, fcsr: int) -> Result:
    """The square root."""
    return settle(DOUBLE, DOUBLE.sqrt(fs, rounding(fcsr)), fcsr)


@row("abs.s", "010001 10000 00000 ddddd aaaaa 000101", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def abs_s(fs: int, fcsr: int) -> Result:
    """The absolute value."""
    return settle(SINGLE, SINGLE.abs(fs), fcsr)


@row("abs.d", "010001 10001 00000 ddddd aaaaa 000101", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def abs_d(fs: int, fcsr: int) -> Result:
    """The absolute value."""
    return settle(DOUBLE, DOUBLE.abs(fs), fcsr)


@row("mov.s", "010001 10000 00000 ddddd aaaaa 000110", "fd,fs", kind=Kind.FLOAT, fp_in=32, fp_out=32)
@row("mov.d", "010001 10001 00000 ddddd aaaaa 000110", "fd,fs", kind=Kind.FLOAT, fp_in=64, fp_out=64)
def mov(fs: int) -> int:
    """The bits, whatever they are (R4K p. 196)."""
    return fs


@row("neg.s", "010001 10000 00000 ddddd aaaaa 000111", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def neg_s(fs: int, fcsr: int) -> Result:
    """The number with the opposite sign."""
    return settle(SINGLE, SINGLE.neg(fs), fcsr)


@row("neg.d", "010001 10001 00000 ddddd aaaaa 000111", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def neg_d(fs: int, fcsr: int) -> Result:
    """The number with the opposite sign."""
    return settle(DOUBLE, DOUBLE.neg(fs), fcsr)


def _rounding_rows(rm: int, name: str) -> None:
    """The conversions to integers that round in a mode of their own, whatever RM says."""
    s, d = "010001 10000 00000 ddddd aaaaa", "010001 10001 00000 ddddd aaaaa"

    @row(f"{name}.l.s", f"{s} 0010{rm:02b}", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=64)
    def l_s(fs: int, fcsr: int) -> Result:
        """The doubleword that a single rounds to."""
        return settle_integer(SINGLE.to_integer(fs, 64, rm), fcsr)

    @row(f"{name}.l.d", f"{d} 0010{rm:02b}", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
    def l_d(fs: int, fcsr: int) -> Result:
        """The doubleword that a double rounds to."""
        return settle_integer(DOUBLE.to_integer(fs, 64, rm), fcsr)

    @row(f"{name}.w.s", f"{s} 0011{rm:02b}", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
    def w_s(fs: int, fcsr: int) -> Result:
        """The word that a single rounds to."""
        return settle_integer(SINGLE.to_integer(fs, 32, rm), fcsr)

    @row(f"{name}.w.d", f"{d} 0011{rm:02b}", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=32)
    def w_d(fs: int, fcsr: int) -> Result:
        """The word that a double rounds to."""
        return settle_integer(DOUBLE.to_integer(fs, 32, rm), fcsr)


for _rm, _name in ((NEAREST, "round"), (TO_ZERO, "trunc"), (UP, "ceil"), (DOWN, "floor")):
    _rounding_rows(_rm, _name)


@row("cvt.s.d", "010001 10001 00000 ddddd aaaaa 100000", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=32)
def cvt_s_d(fs: int, fcsr: int) -> Result:
    """The single nearest to a double."""
    return settle(SINGLE, SINGLE.convert(fs, DOUBLE, rounding(fcsr)), fcsr)


@row("cvt.s.w", "010001 10100 00000 ddddd aaaaa 100000", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def cvt_s_w(fs: int, fcsr: int) -> Result:
    """The single nearest to a word."""
    return settle(SINGLE, SINGLE.from_integer(sext32(fs), rounding(fcsr)), fcsr)


@row("cvt.s.l", "010001 10101 00000 ddddd aaaaa 100000", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=32)
def cvt_s_l(fs: int, fcsr: int) -> Result:
    """The single nearest to a doubleword. Raises: also unimplemented-operation where ``_too_wide``."""
    unimplemented(_too_wide(fs), fcsr)
    return settle(SINGLE, SINGLE.from_integer(sext64(fs), rounding(fcsr)), fcsr)


@row("cvt.d.s", "010001 10000 00000 ddddd aaaaa 100001", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=64)
def cvt_d_s(fs: int, fcsr: int) -> Result:
    """The double that is a single."""
    return settle(DOUBLE, DOUBLE.convert(fs, SINGLE, rounding(fcsr)), fcsr)


@row("cvt.d.w", "010001 10100 00000 ddddd aaaaa 100001", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=64)
def cvt_d_w(fs: int, fcsr: int) -> Result:
    """The double that is a word."""
    return settle(DOUBLE, DOUBLE.from_integer(sext32(fs), rounding(fcsr)), fcsr)


@row("cvt.d.l", "010001 10101 00000 ddddd aaaaa 100001", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def cvt_d_l(fs: int, fcsr: int) -> Result:
    """The double nearest to a doubleword. Raises: also unimplemented-operation where ``_too_wide``."""
    unimplemented(_too_wide(fs), fcsr)
    return settle(DOUBLE, DOUBLE.from_integer(sext64(fs), rounding(fcsr)), fcsr)


def _too_wide(doubleword: int) -> bool:
    """Whether bits 63..55 differ: then the conversion is left to software (from memory; V5K p. 212 has 63..52)."""
    value = sext64(doubleword)
    return value >> 55 != value >> 63


@row("cvt.w.s", "010001 10000 00000 ddddd aaaaa 100100", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=32)
def cvt_w_s(fs: int, fcsr: int) -> Result:
    """The word that a single rounds to."""
    return settle_integer(SINGLE.to_integer(fs, 32, rounding(fcsr)), fcsr)


@row("cvt.w.d", "010001 10001 00000 ddddd aaaaa 100100", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=32)
def cvt_w_d(fs: int, fcsr: int) -> Result:
    """The word that a double rounds to."""
    return settle_integer(DOUBLE.to_integer(fs, 32, rounding(fcsr)), fcsr)


@row("cvt.l.s", "010001 10000 00000 ddddd aaaaa 100101", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=32, fp_out=64)
def cvt_l_s(fs: int, fcsr: int) -> Result:
    """The doubleword that a single rounds to."""
    return settle_integer(SINGLE.to_integer(fs, 64, rounding(fcsr)), fcsr)


@row("cvt.l.d", "010001 10001 00000 ddddd aaaaa 100101", "fd,fs", kind=Kind.FLOAT, to="fd fcsr", fp_in=64, fp_out=64)
def cvt_l_d(fs: int, fcsr: int) -> Result:
    """The doubleword that a double rounds to."""
    return settle_integer(DOUBLE.to_integer(fs, 64, rounding(fcsr)), fcsr)


def _compare_rows(code: int, name: str) -> None:
    """The compares of one condition code: C is set if the relation is among those that its low three bits name.

    Code bit 3 makes a quiet NaN invalid. Raises: fp-exception alone; denormals compare by value (R4K p. 196, B C.cond).
    """
    signals = code >= 8

    @row(f"c.{name}.s", f"010001 10000 ttttt ddddd 00000 11{code:04b}", "fs,ft", kind=Kind.FLOAT, to="fcsr", fp_in=32)
    def c_s(fs: int, ft: int, fcsr: int) -> int:
        """FCR31 after a compare of singles."""
        relation, flags = SINGLE.compare(fs, ft, signals)
        return with_condition(relation & code != 0, record(flags, fcsr))

    @row(f"c.{name}.d", f"010001 10001 ttttt ddddd 00000 11{code:04b}", "fs,ft", kind=Kind.FLOAT, to="fcsr", fp_in=64)
    def c_d(fs: int, ft: int, fcsr: int) -> int:
        """FCR31 after a compare of doubles."""
        relation, flags = DOUBLE.compare(fs, ft, signals)
        return with_condition(relation & code != 0, record(flags, fcsr))


#: The names of the condition codes 0 to 15 (R4K App. B, C.cond.fmt).
CONDITIONS = (
    *("f", "un", "eq", "ueq", "olt", "ult", "ole", "ule"),
    *("sf", "ngle", "seq", "ngl", "lt", "nge", "le", "ngt"),
)
for _code, _name in enumerate(CONDITIONS):
    _compare_rows(_code, _name)
