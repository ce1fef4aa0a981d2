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


def rounded(magnitude: int, drop: int, negative: bool, rm: int) -> tuple[int, bool]:
    """``magnitude / 2**drop`` rounded to an integer, and whether that lost anything; the sign is given apart."""
    if drop <= 0:
        return magnitude << -drop, False
    kept = magnitude >> drop
    rest = magnitude - (kept << drop)
    if not rest:
        return kept, False
    if rm == NEAREST:
        half = 1 << drop - 1
        return kept + (rest > half or (rest == half and kept & 1)), True
    return kept + (rm == (DOWN if negative else UP)), True


class Format:
    """A binary interchange format and its operations.

    Widths: ``width`` bits in all, of which a significand has ``precision`` with its implied leading one.
    """

    __slots__ = ("default_nan", "fraction", "fraction_bits", "infinity", "precision", "quantum", "sign", "signalling",
                 "smallest_normal")

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

    def _unpack(self, a: int) -> tuple[int, int]:
        """Significand and scale of the magnitude of a finite operand."""
        exponent = (a & self.infinity) >> self.fraction_bits
        if exponent:
            return a & self.fraction | self.smallest_normal, exponent - 1
        return a & self.fraction, 0

    def _pack(self, negative: bool, significand: int, scale: int, rm: int, flags: int = 0) -> Result:
        """``significand * 2**scale`` quanta, not zero, rounded to the format: every float result ends here."""
        drop = significand.bit_length() - self.precision
        unit = scale + drop
        tiny = False
        if unit < 0:
            # Only a significand that rounds up to the next power of two can reach the smallest normal number.
            tiny = unit < -1 or rounded(significand, drop, negative, rm)[0] <= self.fraction << 1 | 1
            drop -= unit
            unit = 0
        kept, inexact = rounded(significand, drop, negative, rm)
        # A carry out of the significand adds one to the exponent, and a subnormal has unit 0 and no leading one.
        bits = (unit << self.fraction_bits) + kept
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

    def is_denormal(self, a: int) -> bool:
        """Whether an operand is subnormal; zero is not."""
        return 0 < a & ~self.sign < self.smallest_normal

    def is_signalling(self, a: int) -> bool:
        """Whether an operand is a signalling NaN."""
        return self.is_nan(a) and a & self.signalling != 0

    def _remarks(self, a: int, b: int) -> int:
        return DENORMAL if self.is_denormal(a) or self.is_denormal(b) else 0

    def _nan(self, a: int, b: int) -> Result:
        """The result of operands of which one at least is a NaN."""
        if self.is_signalling(a) or self.is_signalling(b):
            return self.default_nan, INVALID | self._remarks(a, b)
        return a if self.is_nan(a) else b, QUIET_NAN | self._remarks(a, b)

    # Arithmetic

    def add(self, a: int, b: int, rm: int) -> Result:
        """Adds two numbers."""
        infinity = self.infinity
        exponent_a, exponent_b = a & infinity, b & infinity
        if exponent_a == infinity or exponent_b == infinity:
            return self._add_special(a, b)
        significand_a, scale_a = self._unpack(a)
        significand_b, scale_b = self._unpack(b)
        if a & self.sign:
            significand_a = -significand_a
        if b & self.sign:
            significand_b = -significand_b
        if scale_a > scale_b:
            total = (significand_a << scale_a - scale_b) + significand_b
            scale = scale_b
        else:
            total = significand_a + (significand_b << scale_b - scale_a)
            scale = scale_a
        remarks = 0 if exponent_a and exponent_b else self._remarks(a, b)
        if not total:
            return (a | b if rm == DOWN else a & b) & self.sign, remarks
        return self._pack(total < 0, abs(total), scale, rm, remarks)

    def _add_special(self, a: int, b: int) -> Result:
        if self.is_nan(a) or self.is_nan(b):
            return self._nan(a, b)
        if a ^ b == self.sign:
            return self.default_nan, INVALID
        return a if a & self.infinity == self.infinity else b, self._remarks(a, b)

    def sub(self, a: int, b: int, rm: int) -> Result:
        """Subtracts ``b`` from ``a``."""
        return self.add(a, b if self.is_nan(b) else b ^ self.sign, rm)

    def mul(self, a: int, b: int, rm: int) -> Result:
        """Multiplies two numbers."""
        infinity = self.infinity
        exponent_a, exponent_b = a & infinity, b & infinity
        sign = (a ^ b) & self.sign
        if exponent_a == infinity or exponent_b == infinity:
            if self.is_nan(a) or self.is_nan(b):
                return self._nan(a, b)
            if not a & ~self.sign or not b & ~self.sign:
                return self.default_nan, INVALID
            return infinity | sign, self._remarks(a, b)
        significand_a, scale_a = self._unpack(a)
        significand_b, scale_b = self._unpack(b)
        remarks = 0 if exponent_a and exponent_b else self._remarks(a, b)
        product = significand_a * significand_b
        if not product:
            return sign, remarks
        return self._pack(sign != 0, product, scale_a + scale_b + self.quantum, rm, remarks)

    def div(self, a: int, b: int, rm: int) -> Result:
        """Divides ``a`` by ``b``."""
        infinity = self.infinity
        exponent_a, exponent_b = a & infinity, b & infinity
        sign = (a ^ b) & self.sign
        if exponent_a == infinity or exponent_b == infinity:
            if self.is_nan(a) or self.is_nan(b):
                return self._nan(a, b)
            if exponent_a == exponent_b:
                return self.default_nan, INVALID
            return (infinity | sign if exponent_a == infinity else sign), self._remarks(a, b)
        significand_a, scale_a = self._unpack(a)
        significand_b, scale_b = self._unpack(b)
        remarks = 0 if exponent_a and exponent_b else self._remarks(a, b)
        if not significand_b:
            return (infinity | sign, DIVISION_BY_ZERO | remarks) if significand_a else (self.default_nan, INVALID)
        if not significand_a:
            return sign, remarks
        shift = 2 * self.precision + 1  # two bits more than the significand, even of a subnormal by a normal number
        quotient, rest = divmod(significand_a << shift, significand_b)
        scale = scale_a - scale_b - shift - self.quantum - 1
        return self._pack(sign != 0, quotient << 1 | (rest != 0), scale, rm, remarks)

    def sqrt(self, a: int, rm: int) -> Result:
        """The square root; of a negative number other than -0 it is invalid."""
        if self.is_nan(a):
            return self._nan(a, a)
        if not a & ~self.sign:
            return a, 0
        remarks = self._remarks(a, a)
        if a & self.sign:
            return self.default_nan, INVALID | remarks
        if a == self.infinity:
            return a, 0
        significand, scale = self._unpack(a)
        shift = 2 * self.precision + ((scale + self.quantum) & 1)  # leaves an even exponent
        radicand = significand << shift
        root = isqrt(radicand)
        scale = (scale + self.quantum - shift) // 2 - self.quantum - 1
        return self._pack(False, root << 1 | (root * root != radicand), scale, rm, remarks)

    # Sign operations. The chip counts them as arithmetic: a signalling NaN is invalid.

    def neg(self, a: int) -> Result:
        """The same number with the opposite sign."""
        if self.is_signalling(a):
            return self.default_nan, INVALID
        return a ^ self.sign, (QUIET_NAN if self.is_nan(a) else self._remarks(a, a))

    def abs(self, a: int) -> Result:
        """The same number with the sign plus."""
        if self.is_signalling(a):
            return self.default_nan, INVALID
        return a & ~self.sign, (QUIET_NAN if self.is_nan(a) else self._remarks(a, a))

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
        negative = a & self.sign != 0
        if a & self.infinity == self.infinity:
            return largest, INVALID
        significand, scale = self._unpack(a)
        magnitude, inexact = rounded(significand, -(scale + self.quantum), negative, rm)
        if magnitude > largest + negative:
            return largest, INVALID
        value = -magnitude if negative else magnitude
        return value & (1 << width) - 1, self._remarks(a, a) | inexact * INEXACT

    def from_integer(self, value: int, rm: int) -> Result:
        """The number nearest to a signed integer; of 0 it is +0."""
        return self._pack(value < 0, abs(value), -self.quantum, rm) if value else (0, 0)

    def convert(self, a: int, source: Format, rm: int) -> Result:
        """The number of this format nearest to one of another; a quiet NaN keeps the leading bits of its fraction."""
        sign = self.sign if a & source.sign else 0
        significand, scale = source._unpack(a)
        if a & source.infinity == source.infinity:
            if source.is_signalling(a):
                return self.default_nan, INVALID
            if not source.is_nan(a):
                return self.infinity | sign, 0
            shift = self.precision - source.precision
            fraction = (significand << shift if shift > 0 else significand >> -shift) & self.fraction
            return (self.infinity | sign | fraction if fraction else self.default_nan), QUIET_NAN
        if not significand:
            return sign, 0
        return self._pack(sign != 0, significand, scale + source.quantum - self.quantum, rm, source._remarks(a, a))


SINGLE = Format(width=32, precision=24)
DOUBLE = Format(width=64, precision=53)
