"""Arithmetic on machine words; the only module with masks.

Inside ``interp`` a register value is a Python integer that *is* the signed 64-bit value: 32-bit code is the common
case and its canonical (sign-extended) values are small numbers that way. Raw bits of floating-point registers and what
memory gives are unsigned. Rows call these functions by their global names and use no mask and no branch of their own,
so that another arithmetic (symbolic values, say) can take their place.
"""

M32 = 0xFFFF_FFFF
M64 = 0xFFFF_FFFF_FFFF_FFFF


def sext32(v: int) -> int:
    """The low 32 bits as a signed number."""
    if -0x80000000 <= v <= 0x7FFFFFFF:
        return v
    v &= 0xFFFFFFFF
    return v if v <= 0x7FFFFFFF else v - 0x100000000


def sext64(v: int) -> int:
    """The low 64 bits as a signed number."""
    if -0x8000000000000000 <= v <= 0x7FFFFFFFFFFFFFFF:
        return v
    return ((v & 0xFFFFFFFFFFFFFFFF) ^ 0x8000000000000000) - 0x8000000000000000


def zext32(v: int) -> int:
    """The low 32 bits as an unsigned number."""
    return v % 0x1_0000_0000


def zext64(v: int) -> int:
    """The low 64 bits as an unsigned number."""
    return v & 0xFFFFFFFFFFFFFFFF


def sext(v: int, bits: int) -> int:
    """The low ``bits`` bits as a signed number."""
    sign = 1 << bits - 1
    return ((v & 2 * sign - 1) ^ sign) - sign


def modulo(v: int, power: int) -> int:
    """``v`` modulo a power of two: what counts of a shift amount or of the place in an aligned unit."""
    return v % power


def ones(count: int) -> int:
    """A word whose low ``count`` bits are set."""
    return (1 << count) - 1


def ult64(a: int, b: int) -> bool:
    """Compares the low 64 bits as unsigned numbers."""
    return a < b if (a < 0) == (b < 0) else b < 0


def bit(cond: bool) -> int:
    """1 where the condition holds, else 0."""
    return 1 if cond else 0


def select(cond: bool, a: int, b: int) -> int:
    """``a`` where the condition holds, else ``b``."""
    return a if cond else b


def quotrem(a: int, b: int) -> tuple[int, int]:
    """Quotient truncated towards zero, and remainder with the sign of ``a``.

    By zero: -1 or 1 by the sign of ``a``, and ``a``: what MIPS dividers leave (common practice, no source).
    """
    if b == 0:
        return (1 if a < 0 else -1), a
    quotient = abs(a) // abs(b)
    quotient = quotient if (a < 0) == (b < 0) else -quotient
    return quotient, a - quotient * b


def quotrem_u64(a: int, b: int) -> tuple[int, int]:
    """Quotient and remainder of the low 64 bits as unsigned numbers; by zero all ones, and ``a``."""
    dividend, divisor = a & M64, b & M64
    return divmod(dividend, divisor) if divisor else (M64, dividend)


def product64(a: int, b: int) -> tuple[int, int]:
    """High and low 64 bits of the signed 128-bit product."""
    product = a * b
    return sext64(product >> 64), sext64(product)


def product_u64(a: int, b: int) -> tuple[int, int]:
    """High and low 64 bits of the unsigned 128-bit product."""
    return product64(zext64(a), zext64(b))
