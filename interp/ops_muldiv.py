"""Multiply, divide and the HI and LO registers (R4K App. A, A-55; V41 pp. 473-476).

Divisions: Undefined when the divisor is 0, or the most negative number is divided by -1; the machine goes on with what
MIPS dividers leave (``words.quotrem``).
"""

from interp.events import open_
from interp.optable import row
from interp.words import product64, product_u64, quotrem, quotrem_u64, sext32, sext64, zext32


@row("mult", "000000 sssss ttttt 0000000000 011000", "s,t", to="hi lo", word="st")
def mult(s: int, t: int) -> tuple[int, int]:
    """Signed product of words: upper word to HI, lower to LO."""
    product = sext32(s) * sext32(t)
    return sext32(product >> 32), sext32(product)


@row("multu", "000000 sssss ttttt 0000000000 011001", "s,t", to="hi lo", word="st")
def multu(s: int, t: int) -> tuple[int, int]:
    """Unsigned product of words: upper word to HI, lower to LO."""
    product = zext32(s) * zext32(t)
    return sext32(product >> 32), sext32(product)


@row("dmult", "000000 sssss ttttt 0000000000 011100", "s,t", to="hi lo")
def dmult(s: int, t: int) -> tuple[int, int]:
    """Signed product of doublewords: upper doubleword to HI, lower to LO."""
    return product64(s, t)


@row("dmultu", "000000 sssss ttttt 0000000000 011101", "s,t", to="hi lo")
def dmultu(s: int, t: int) -> tuple[int, int]:
    """Unsigned product of doublewords: upper doubleword to HI, lower to LO."""
    return product_u64(s, t)


@row("div", "000000 sssss ttttt 0000000000 011010", "zero,s,t", to="lo hi", word="st")
def div(s: int, t: int) -> tuple[int, int]:
    """Signed quotient of words to LO, truncated towards zero; remainder to HI, with the sign of s."""
    open_("division-by-zero", sext32(t) == 0)
    open_("division-overflow", (sext32(s) == -(1 << 31)) & (sext32(t) == -1))
    quotient, remainder = quotrem(sext32(s), sext32(t))
    return sext32(quotient), sext32(remainder)


@row("divu", "000000 sssss ttttt 0000000000 011011", "zero,s,t", to="lo hi", word="st")
def divu(s: int, t: int) -> tuple[int, int]:
    """Unsigned quotient of words to LO, remainder to HI."""
    open_("division-by-zero", zext32(t) == 0)
    quotient, remainder = quotrem_u64(zext32(s), zext32(t))
    return sext32(quotient), sext32(remainder)


@row("ddiv", "000000 sssss ttttt 0000000000 011110", "zero,s,t", to="lo hi")
def ddiv(s: int, t: int) -> tuple[int, int]:
    """Signed quotient of doublewords to LO, truncated towards zero; remainder to HI, with the sign of s."""
    open_("division-by-zero", t == 0)
    open_("division-overflow", (s == -(1 << 63)) & (t == -1))
    quotient, remainder = quotrem(s, t)
    return sext64(quotient), remainder


@row("ddivu", "000000 sssss ttttt 0000000000 011111", "zero,s,t", to="lo hi")
def ddivu(s: int, t: int) -> tuple[int, int]:
    """Unsigned quotient of doublewords to LO, remainder to HI."""
    open_("division-by-zero", t == 0)
    quotient, remainder = quotrem_u64(s, t)
    return sext64(quotient), sext64(remainder)


@row("mfhi", "000000 0000000000 ddddd 00000 010000", "d", of="hi", narrow="inherits")
@row("mflo", "000000 0000000000 ddddd 00000 010010", "d", of="lo", narrow="inherits")
@row("mthi", "000000 sssss 000000000000000 010001", "s", of="s", to="hi", narrow="inherits")
@row("mtlo", "000000 sssss 000000000000000 010011", "s", of="s", to="lo", narrow="inherits")
def move(value: int) -> int:
    """Moves between a general register and HI or LO."""
    return value
