"""IEEE 754 binary32 and binary64 arithmetic on integers: the same bits and flags on every host.

An operand is the unsigned integer of its encoding; every operation returns ``(bits, flags)``. ``rm`` is a rounding mode
as FCR31 numbers them. Flags are the five of IEEE 754, in the order of the flag, enable and cause fields of FCR31, and
three *remarks* about operands and result on which a processor may act; the result itself is always the IEEE one.

NaNs have the encoding of early MIPS processors: the most significant fraction bit is set in a *signalling* NaN. A
signalling operand gives ``INVALID`` and the default NaN; otherwise the first quiet operand is the result. Tininess is
detected after rounding, as R4000 User's Manual 2nd ed. p. 195 says.

How it works: every finite value of a format is a whole number of *quanta*, the smallest subnormal. A finite operand
becomes ``significand << scale`` quanta, the operation is exact on Python's integers (one sticky bit stands for the rest
of a quotient or root), and ``_pack`` rounds once.

Source: IEEE 754-2008 sections 3-7 (from memory).
"""

from __future__ import annotations

from math import isqrt

NEAREST, TO_ZERO, UP, DOWN = range(4)  #: rounding modes, as in FCR31.RM: to nearest even, 0, plus and minus infinity

INEXACT, UNDERFLOW, OVERFLOW, DIVISION_BY_ZERO, INVALID = 1, 2, 4, 8, 16  #: flags, as in FCR31 bits 2 to 6
IEEE_FLAGS = 31  #: the five flags together
QUIET_NAN = 32  #: remark: an operand is a quiet NaN and none is a signalling one
DENORMAL = 64  #: remark: an operand is denormal
TINY = 128  #: remark: the result is tiny: not zero, and below the smallest normal number when rounded; exact or not

UNORDERED, EQUAL, LESS = 1, 2, 4  #: relations of a comparison, as in the condition field of C.cond; greater is 0

Result = tuple[int, int]


def rounded(value: int, drop: int, rm: int) -> tuple[int, bool]:
    """``value / 2**drop`` rounded to an integer, and whether that lost anything."""
    if drop <= 0:
        return value << -drop, False
    below = value >> drop
    rest = value - (below << drop)
    if not rest:
        return below, False
    if rm == NEAREST:
        half = 1 << drop - 1
        return below + (rest > half or (rest == half and below & 1)), True
    return below + (rm == UP or (rm == TO_ZERO and value < 0)), True


class Format:
    """A binary interchange format and its operations.

    Widths: ``width`` bits in all, of which a significand has ``precision`` with its implied leading one.
    """

    def __init__(self, width: int, precision: int) -> None:
        self.precision = precision
        self.fraction_bits = precision - 1
        self.fraction = (1 << self.fraction_bits) - 1
        self.sign = 1 << width - 1
        self.smallest_normal = 1 << self.fraction_bits  # also the weight of the implied leading one
        self.infinity = self.sign - self.smallest_normal  # also the mask of the exponent field
        self.signalling = 1 << precision - 2
        self.default_nan = self.infinity | self.signalling - 1
        self.quantum = 3 - (1 << width - precision - 1) - precision  # binary exponent of the smallest subnormal

    # Operands and results

    def _unpack(self, a: int) -> tuple[int, int, int]:
        """Signed significand, scale and remark of a finite operand."""
        exponent = (a & self.infinity) >> self.fraction_bits
        significand = a & self.fraction
        if not exponent:
            return (-significand if a & self.sign else significand), 0, DENORMAL if significand else 0
        significand |= self.smallest_normal
        return (-significand if a & self.sign else significand), exponent - 1, 0

    def _pack(self, value: int, scale: int, rm: int, flags: int = 0) -> Result:
        """``value * 2**scale`` quanta, not zero, rounded to the format: every float result ends here."""
        drop = value.bit_length() - self.precision
        unit = scale + drop
        negative = value < 0
        # Only a significand that rounds up to the next power of two can reach the smallest normal number.
        tiny = unit < -1 or (unit == -1 and abs(rounded(value, drop, rm)[0]) <= self.fraction << 1 | 1)
        if unit < 0:
            drop, unit = drop - unit, 0
        kept, inexact = rounded(value, drop, rm)
        # A carry out of the significand adds one to the exponent, and a subnormal has unit 0 and no leading one.
        bits = (unit << self.fraction_bits) + (-kept if negative else kept)
        if bits >= self.infinity:
            bits = self.infinity - (rm == TO_ZERO or rm == (UP if negative else DOWN))
            flags |= OVERFLOW | INEXACT
        elif inexact:
            flags |= INEXACT
        if tiny:
            flags |= TINY | UNDERFLOW if inexact else TINY
        return bits | self.sign if negative else bits, flags

    def is_nan(self, a: int) -> bool:
        """Whether an operand is a NaN of either kind."""
        return a & ~self.sign > self.infinity

    def is_signalling(self, a: int) -> bool:
        """Whether an operand is a signalling NaN."""
        return self.is_nan(a) and a & self.signalling != 0

    def _remark(self, a: int) -> int:
        """DENORMAL where an operand is subnormal; zero is not."""
        return DENORMAL if 0 < a & ~self.sign < self.smallest_normal else 0

    def _special(self, a: int, b: int, result: int | None) -> Result:
        """The result where an operand is not finite: the NaN if there is one; None says that it is invalid."""
        remarks = self._remark(a) | self._remark(b)
        if self.is_signalling(a) or self.is_signalling(b):
            return self.default_nan, INVALID | remarks
        if self.is_nan(a) or self.is_nan(b):
            return a if self.is_nan(a) else b, QUIET_NAN | remarks
        return (self.default_nan, INVALID | remarks) if result is None else (result, remarks)

    # Arithmetic

    def add(self, a: int, b: int, rm: int) -> Result:
        """Adds two numbers."""
        infinity = self.infinity
        if a & infinity == infinity or b & infinity == infinity:
            return self._special(a, b, None if a ^ b == self.sign else a if a & infinity == infinity else b)
        significand_a, scale_a, remark_a = self._unpack(a)
        significand_b, scale_b, remark_b = self._unpack(b)
        scale = scale_a if scale_a < scale_b else scale_b
        total = (significand_a << scale_a - scale) + (significand_b << scale_b - scale)
        if not total:
            return (a | b if rm == DOWN else a & b) & self.sign, remark_a | remark_b
        return self._pack(total, scale, rm, remark_a | remark_b)

    def sub(self, a: int, b: int, rm: int) -> Result:
        """Subtracts ``b`` from ``a``."""
        return self.add(a, b if self.is_nan(b) else b ^ self.sign, rm)

    def mul(self, a: int, b: int, rm: int) -> Result:
        """Multiplies two numbers."""
        infinity, sign = self.infinity, (a ^ b) & self.sign
        if a & infinity == infinity or b & infinity == infinity:
            return self._special(a, b, infinity | sign if a & ~self.sign and b & ~self.sign else None)
        significand_a, scale_a, remark_a = self._unpack(a)
        significand_b, scale_b, remark_b = self._unpack(b)
        remarks, product = remark_a | remark_b, significand_a * significand_b
        return self._pack(product, scale_a + scale_b + self.quantum, rm, remarks) if product else (sign, remarks)

    def div(self, a: int, b: int, rm: int) -> Result:
        """Divides ``a`` by ``b``."""
        infinity, sign = self.infinity, (a ^ b) & self.sign
        if a & infinity == infinity:
            return self._special(a, b, None if b & infinity == infinity else infinity | sign)
        if b & infinity == infinity:
            return self._special(a, b, sign)
        significand_a, scale_a, remark_a = self._unpack(a)
        significand_b, scale_b, remark_b = self._unpack(b)
        remarks = remark_a | remark_b
        if not significand_b:
            return (infinity | sign, DIVISION_BY_ZERO | remarks) if significand_a else (self.default_nan, INVALID)
        if not significand_a:
            return sign, remarks
        shift = 2 * self.precision + 1  # two bits more than the significand, even of a subnormal by a normal number
        quotient, rest = divmod(significand_a << shift, significand_b)
        scale = scale_a - scale_b - shift - self.quantum - 1
        return self._pack(quotient << 1 | (rest != 0), scale, rm, remarks)

    def sqrt(self, a: int, rm: int) -> Result:
        """The square root; of a negative number other than -0 it is invalid."""
        if not 0 < a < self.infinity:
            return self._special(a, a, a if a in (0, self.sign, self.infinity) else None)
        significand, scale, remark = self._unpack(a)
        shift = 2 * self.precision + ((scale + self.quantum) & 1)  # leaves an even exponent
        radicand = significand << shift
        root = isqrt(radicand)
        scale = (scale + self.quantum - shift) // 2 - self.quantum - 1
        return self._pack(root << 1 | (root * root != radicand), scale, rm, remark)

    # Sign operations. The chip counts them as arithmetic: a signalling NaN is invalid.

    def neg(self, a: int) -> Result:
        """The same number with the opposite sign."""
        return self._signed(a, a ^ self.sign)

    def abs(self, a: int) -> Result:
        """The same number with the sign plus."""
        return self._signed(a, a & ~self.sign)

    def _signed(self, a: int, result: int) -> Result:
        if self.is_signalling(a):
            return self.default_nan, INVALID
        return result, QUIET_NAN if self.is_nan(a) else self._remark(a)

    # Comparison and conversions

    def compare(self, a: int, b: int, signals: bool) -> Result:
        """The relation of two numbers; ``signals`` makes a quiet NaN invalid too."""
        if self.is_nan(a) or self.is_nan(b):
            invalid = signals or self.is_signalling(a) or self.is_signalling(b)
            return UNORDERED, INVALID if invalid else 0
        ordinal_a = -(a & ~self.sign) if a & self.sign else a
        ordinal_b = -(b & ~self.sign) if b & self.sign else b
        return (EQUAL if ordinal_a == ordinal_b else LESS if ordinal_a < ordinal_b else 0), 0

    def to_integer(self, a: int, width: int, rm: int) -> Result:
        """The nearest signed integer of ``width`` bits, as an unsigned encoding; the largest where it is invalid."""
        largest = (1 << width - 1) - 1
        if a & self.infinity == self.infinity:
            return largest, INVALID
        significand, scale, remark = self._unpack(a)
        value, inexact = rounded(significand, -(scale + self.quantum), rm)
        if not -largest - 1 <= value <= largest:
            return largest, INVALID
        return value & (1 << width) - 1, remark | inexact * INEXACT

    def from_integer(self, value: int, rm: int) -> Result:
        """The number nearest to a signed integer; of 0 it is +0."""
        return self._pack(value, -self.quantum, rm) if value else (0, 0)

    def convert(self, source: Format, a: int, rm: int) -> Result:
        """The number of this format nearest to one of another; a quiet NaN keeps the leading bits of its fraction."""
        sign = self.sign if a & source.sign else 0
        if a & source.infinity == source.infinity:
            if source.is_signalling(a):
                return self.default_nan, INVALID
            fraction = (a & source.fraction) << self.precision >> source.precision
            if source.is_nan(a):
                return (self.infinity | sign | fraction if fraction else self.default_nan), QUIET_NAN
            return self.infinity | sign, 0
        significand, scale, remark = source._unpack(a)
        if not significand:
            return sign, 0
        return self._pack(significand, scale + source.quantum - self.quantum, rm, remark)


SINGLE = Format(width=32, precision=24)
DOUBLE = Format(width=64, precision=53)
