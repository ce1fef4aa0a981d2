"""Floating-point arithmetic, conversions and compares (R4K App. B; p. 190-196).

A meaning is the IEEE operation: it takes ``fs``, ``ft`` and the rounding mode ``rm`` and returns bits and flags, a
compare a condition and flags. Most are operations of the soft-float as they stand. What the chip makes of the flags,
in FCR31 or as an exception, is the same for all: ``fcsr.settle``. MOV is no arithmetic: it copies any bits and raises
nothing.
"""

from functools import partial

from interp.fcsr import LEFT
from interp.optable import Kind, row
from interp.softfloat import DOUBLE, DOWN, INVALID, NEAREST, SINGLE, TO_ZERO, UP, Format, Result
from interp.words import select, sext32, sext64

#: The names of the condition codes 0 to 15 (R4K App. B, C.cond.fmt).
CONDITIONS = ["f", "un", "eq", "ueq", "olt", "ult", "ole", "ule", "sf", "ngle", "seq", "ngl", "lt", "nge", "le", "ngt"]
_S, _D, _W, _L = (f"010001 {field}" for field in ("10000", "10001", "10100", "10101"))
_flags = partial(row, kind=Kind.FLOAT, to="fd fcsr")


@row("mov.s", f"{_S} 00000 ddddd aaaaa 000110", "fd,fs", kind=Kind.FLOAT, fp_in=32, fp_out=32)
@row("mov.d", f"{_D} 00000 ddddd aaaaa 000110", "fd,fs", kind=Kind.FLOAT, fp_in=64, fp_out=64)
def mov(fs: int) -> int:
    """The bits, whatever they are (R4K p. 196)."""
    return fs


def _arithmetic(fmt: Format, name: str, fields: str, width: int) -> None:
    """The operations that stay within a format."""
    alike = partial(_flags, fp_in=width, fp_out=width)
    alike(f"add.{name}", f"{fields} ttttt ddddd aaaaa 000000", "fd,fs,ft", of="fs ft rm")(fmt.add)
    alike(f"sub.{name}", f"{fields} ttttt ddddd aaaaa 000001", "fd,fs,ft", of="fs ft rm")(fmt.sub)
    alike(f"mul.{name}", f"{fields} ttttt ddddd aaaaa 000010", "fd,fs,ft", of="fs ft rm")(fmt.mul)
    alike(f"div.{name}", f"{fields} ttttt ddddd aaaaa 000011", "fd,fs,ft", of="fs ft rm")(fmt.div)
    alike(f"sqrt.{name}", f"{fields} 00000 ddddd aaaaa 000100", "fd,fs", of="fs rm")(fmt.sqrt)
    alike(f"abs.{name}", f"{fields} 00000 ddddd aaaaa 000101", "fd,fs", of="fs")(fmt.abs)
    alike(f"neg.{name}", f"{fields} 00000 ddddd aaaaa 000111", "fd,fs", of="fs")(fmt.neg)


def _compares(fmt: Format, name: str, fields: str, width: int) -> None:
    """The compares: C is set if the relation is among those that the low three bits of the condition code name.

    Code bit 3 makes a quiet NaN invalid. Denormals compare by value (R4K p. 196, B C.cond).
    """
    alike = partial(row, kind=Kind.FLOAT, to="fcsr", fp_in=width)
    for code, condition in enumerate(CONDITIONS):

        @alike(f"c.{condition}.{name}", f"{fields} ttttt ddddd 00000 11{code:04b}", "fs,ft", of="fs ft")
        def compare(fs: int, ft: int, code: int = code, signals: bool = code >= 8) -> tuple[bool, int]:
            """The condition."""
            relation, flags = fmt.compare(fs, ft, signals)
            return relation & code != 0, flags


def _to_integers(fmt: Format, name: str, fields: str, width: int) -> None:
    """The conversions to words and doublewords: CVT, and four with a rounding mode of their own.

    Left to software: what no integer of the width stands for (from memory; R4K App. B has V), denormals, and
    doublewords outside -2**53 .. 2**53 - 1.
    """
    alike = partial(_flags, fp_in=width)
    for size, letter, own, cvt in ((64, "l", "0010", "100101"), (32, "w", "0011", "100100")):

        @alike(f"cvt.{letter}.{name}", f"{fields} 00000 ddddd aaaaa {cvt}", "fd,fs", of="fs rm", fp_out=size)
        def convert(fs: int, rm: int, size: int = size) -> Result:
            """The integer that a number rounds to."""
            bits, flags = fmt.to_integer(fs, size, rm)
            value = sext64(bits)
            return bits, flags | select((flags & INVALID != 0) | (value >> 53 != value >> 63), LEFT, 0)

        for mode, rounding in ((NEAREST, "round"), (TO_ZERO, "trunc"), (UP, "ceil"), (DOWN, "floor")):
            pattern = f"{fields} 00000 ddddd aaaaa {own}{mode:02b}"
            alike(f"{rounding}.{letter}.{name}", pattern, "fd,fs", of="fs", fp_out=size)(partial(convert, rm=mode))


def _from_integers(fmt: Format, name: str, _fields: str, width: int) -> None:
    """The conversions from words and doublewords."""
    code = "100000" if fmt is SINGLE else "100001"

    @_flags(f"cvt.{name}.w", f"{_W} 00000 ddddd aaaaa {code}", "fd,fs", fp_in=32, fp_out=width)
    def from_word(fs: int, rm: int) -> Result:
        """The number nearest to a word."""
        return fmt.from_integer(sext32(fs), rm)

    @_flags(f"cvt.{name}.l", f"{_L} 00000 ddddd aaaaa {code}", "fd,fs", fp_in=64, fp_out=width)
    def from_doubleword(fs: int, rm: int) -> Result:
        """The number nearest to a doubleword; left to software where bits 63..55 differ.

        Source: from memory; V5K p. 212 has 63..52.
        """
        value = sext64(fs)
        bits, flags = fmt.from_integer(value, rm)
        return bits, flags | select(value >> 55 != value >> 63, LEFT, 0)


for _fmt, _name, _fields, _width in ((SINGLE, "s", _S, 32), (DOUBLE, "d", _D, 64)):
    for _rows in (_arithmetic, _compares, _to_integers, _from_integers):
        _rows(_fmt, _name, _fields, _width)

# Between the formats; a single is a double, too, so that only one of them rounds.
_narrowing, _widening = f"{_D} 00000 ddddd aaaaa 100000", f"{_S} 00000 ddddd aaaaa 100001"
_flags("cvt.s.d", _narrowing, "fd,fs", of="fs rm", fp_in=64, fp_out=32)(partial(SINGLE.convert, DOUBLE))
_flags("cvt.d.s", _widening, "fd,fs", of="fs rm", fp_in=32, fp_out=64)(partial(DOUBLE.convert, SINGLE))
