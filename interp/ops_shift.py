"""Shifts (R4K App. A; V41 pp. 487-489, 554).

A variable word shift takes the low 5 bits of s as its amount, a doubleword shift the low 6. Fixed word
shifts are frequent: they have meanings of their own, without the modulo.
"""

from interp.optable import row
from interp.words import modulo, sext32, sext64, zext32, zext64


@row("sll", "000000 00000 ttttt ddddd aaaaa 000000", "d,t,a", narrow="always")
def sll(t: int, a: int) -> int:
    """Shifts a word left; any t is taken, for that is how a word is sign-extended."""
    return sext32(t << a)


@row("sllv", "000000 sssss ttttt ddddd 00000 000100", "d,t,s", word="t")
def sllv(t: int, s: int) -> int:
    """Shifts a word left."""
    return sext32(t << modulo(s, 32))


@row("srl", "000000 00000 ttttt ddddd aaaaa 000010", "d,t,a", word="t")
def srl(t: int, a: int) -> int:
    """Shifts a word right, filling with zeros."""
    return sext32(zext32(t) >> a)


@row("srlv", "000000 sssss ttttt ddddd 00000 000110", "d,t,s", word="t")
def srlv(t: int, s: int) -> int:
    """Shifts a word right, filling with zeros."""
    return sext32(zext32(t) >> modulo(s, 32))


@row("sra", "000000 00000 ttttt ddddd aaaaa 000011", "d,t,a", word="t")
def sra(t: int, a: int) -> int:
    """Shifts a word right, filling with its sign."""
    return sext32(t) >> a


@row("srav", "000000 sssss ttttt ddddd 00000 000111", "d,t,s", word="t")
def srav(t: int, s: int) -> int:
    """Shifts a word right, filling with its sign."""
    return sext32(t) >> modulo(s, 32)


@row("dsll", "000000 00000 ttttt ddddd aaaaa 111000", "d,t,a", of="t a")
@row("dsll32", "000000 00000 ttttt ddddd aaaaa 111100", "d,t,a", of="t a32")
@row("dsllv", "000000 sssss ttttt ddddd 00000 010100", "d,t,s", of="t s")
def dsll(t: int, count: int) -> int:
    """Shifts a doubleword left."""
    return sext64(t << modulo(count, 64))


@row("dsrl", "000000 00000 ttttt ddddd aaaaa 111010", "d,t,a", of="t a")
@row("dsrl32", "000000 00000 ttttt ddddd aaaaa 111110", "d,t,a", of="t a32")
@row("dsrlv", "000000 sssss ttttt ddddd 00000 010110", "d,t,s", of="t s")
def dsrl(t: int, count: int) -> int:
    """Shifts a doubleword right, filling with zeros."""
    return sext64(zext64(t) >> modulo(count, 64))


@row("dsra", "000000 00000 ttttt ddddd aaaaa 111011", "d,t,a", of="t a")
@row("dsra32", "000000 00000 ttttt ddddd aaaaa 111111", "d,t,a", of="t a32", narrow="always")
@row("dsrav", "000000 sssss ttttt ddddd 00000 010111", "d,t,s", of="t s")
def dsra(t: int, count: int) -> int:
    """Shifts a doubleword right, filling with its sign."""
    return t >> modulo(count, 64)
