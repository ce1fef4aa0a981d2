"""Integer arithmetic, comparison and logic (R4K App. A; one line each in its opcode order).

Rows whose immediate form means the same share one meaning. 32-bit operations need sign-extended operands and leave a
sign-extended result; those with a trailing ``u`` in their name differ only in that they never trap.
"""

from interp.events import trap
from interp.optable import row
from interp.words import bit, sext32, sext64, ult64


@row("add", "000000 sssss ttttt ddddd 00000 100000", "d,s,t", word="st")
@row("addi", "001000 sssss ttttt iiiiiiiiiiiiiiii", "t,s,i", of="s i", word="s")
def add(s: int, t: int) -> int:
    """Adds words. Raises: overflow beyond signed 32 bits."""
    total = sext32(s) + sext32(t)
    trap("overflow", total != sext32(total))
    return sext32(total)


@row("addu", "000000 sssss ttttt ddddd 00000 100001", "d,s,t", word="st")
@row("addiu", "001001 sssss ttttt iiiiiiiiiiiiiiii", "t,s,i", of="s i", word="s")
def addu(s: int, t: int) -> int:
    """Adds words."""
    return sext32(s + t)


@row("sub", "000000 sssss ttttt ddddd 00000 100010", "d,s,t", word="st")
def sub(s: int, t: int) -> int:
    """Subtracts words. Raises: overflow beyond signed 32 bits."""
    total = sext32(s) - sext32(t)
    trap("overflow", total != sext32(total))
    return sext32(total)


@row("subu", "000000 sssss ttttt ddddd 00000 100011", "d,s,t", word="st")
def subu(s: int, t: int) -> int:
    """Subtracts words."""
    return sext32(s - t)


@row("dadd", "000000 sssss ttttt ddddd 00000 101100", "d,s,t")
@row("daddi", "011000 sssss ttttt iiiiiiiiiiiiiiii", "t,s,i", of="s i")
def dadd(s: int, t: int) -> int:
    """Adds doublewords. Raises: overflow beyond signed 64 bits, where the sum has the sign of neither operand."""
    total = sext64(s + t)
    trap("overflow", ((s ^ total) & (t ^ total)) < 0)
    return total


@row("daddu", "000000 sssss ttttt ddddd 00000 101101", "d,s,t")
@row("daddiu", "011001 sssss ttttt iiiiiiiiiiiiiiii", "t,s,i", of="s i")
def daddu(s: int, t: int) -> int:
    """Adds doublewords."""
    return sext64(s + t)


@row("dsub", "000000 sssss ttttt ddddd 00000 101110", "d,s,t")
def dsub(s: int, t: int) -> int:
    """Subtracts doublewords. Raises: overflow beyond signed 64 bits, where the signs differ and the result has t's."""
    total = sext64(s - t)
    trap("overflow", ((s ^ t) & (s ^ total)) < 0)
    return total


@row("dsubu", "000000 sssss ttttt ddddd 00000 101111", "d,s,t")
def dsubu(s: int, t: int) -> int:
    """Subtracts doublewords."""
    return sext64(s - t)


@row("slt", "000000 sssss ttttt ddddd 00000 101010", "d,s,t", narrow="always")
@row("slti", "001010 sssss ttttt iiiiiiiiiiiiiiii", "t,s,i", of="s i", narrow="always")
def slt(s: int, t: int) -> int:
    """1 where s < t as signed doublewords, else 0."""
    return bit(s < t)


@row("sltu", "000000 sssss ttttt ddddd 00000 101011", "d,s,t", narrow="always")
@row("sltiu", "001011 sssss ttttt iiiiiiiiiiiiiiii", "t,s,i", of="s i", narrow="always")
def sltu(s: int, t: int) -> int:
    """1 where s < t as unsigned doublewords, else 0; the immediate is sign-extended first."""
    return bit(ult64(s, t))


@row("and", "000000 sssss ttttt ddddd 00000 100100", "d,s,t", narrow="inherits")
@row("andi", "001100 sssss ttttt iiiiiiiiiiiiiiii", "t,s,u", of="s u", narrow="always")
def and_(s: int, t: int) -> int:
    """Bitwise and of doublewords."""
    return s & t


@row("or", "000000 sssss ttttt ddddd 00000 100101", "d,s,t", narrow="inherits")
@row("ori", "001101 sssss ttttt iiiiiiiiiiiiiiii", "t,s,u", of="s u", narrow="inherits")
def or_(s: int, t: int) -> int:
    """Bitwise or of doublewords."""
    return s | t


@row("xor", "000000 sssss ttttt ddddd 00000 100110", "d,s,t", narrow="inherits")
@row("xori", "001110 sssss ttttt iiiiiiiiiiiiiiii", "t,s,u", of="s u", narrow="inherits")
def xor(s: int, t: int) -> int:
    """Bitwise exclusive or of doublewords."""
    return s ^ t


@row("nor", "000000 sssss ttttt ddddd 00000 100111", "d,s,t", narrow="inherits")
def nor(s: int, t: int) -> int:
    """Bitwise complement of the or of doublewords."""
    return ~(s | t)


@row("lui", "001111 00000 ttttt iiiiiiiiiiiiiiii", "t,u", narrow="always")
def lui(u: int) -> int:
    """The immediate in the upper half of a word."""
    return sext32(u << 16)
