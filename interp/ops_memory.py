"""Loads and stores (R4K App. A, A-97, A-103, A-105, A-126; V41 pp. 515-518).

The address is s plus the sign-extended immediate. Raises: address errors by alignment and TLB misses, from ``Memory``.
The left and right halves of unaligned accesses reach into the aligned word or doubleword and never raise by alignment:
"left" moves the bytes from the address to the end of it, "right" those from its start to the address.
"""

from __future__ import annotations

from interp.memory import Memory
from interp.optable import Kind, row
from interp.words import low_bits, lshr64, ones, sext8, sext16, sext32, sext64, zext32


@row("lb", "100000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=1, narrow="always")
def lb(mem: Memory, s: int, i: int) -> int:
    """Loads a byte, sign-extended."""
    return sext8(mem.load(s + i, 1))


@row("lbu", "100100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=1, narrow="always")
def lbu(mem: Memory, s: int, i: int) -> int:
    """Loads a byte, zero-extended."""
    return mem.load(s + i, 1)


@row("lh", "100001 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=2, narrow="always")
def lh(mem: Memory, s: int, i: int) -> int:
    """Loads a halfword, sign-extended."""
    return sext16(mem.load(s + i, 2))


@row("lhu", "100101 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=2, narrow="always")
def lhu(mem: Memory, s: int, i: int) -> int:
    """Loads a halfword, zero-extended."""
    return mem.load(s + i, 2)


@row("lw", "100011 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, narrow="always")
def lw(mem: Memory, s: int, i: int) -> int:
    """Loads a word, sign-extended."""
    return sext32(mem.load(s + i, 4))


@row("lwu", "100111 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4)
def lwu(mem: Memory, s: int, i: int) -> int:
    """Loads a word, zero-extended."""
    return mem.load(s + i, 4)


@row("ld", "110111 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8)
def ld(mem: Memory, s: int, i: int) -> int:
    """Loads a doubleword."""
    return sext64(mem.load(s + i, 8))


@row("ll", "110000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, narrow="always")
def ll(mem: Memory, s: int, i: int) -> int:
    """Loads a word, sign-extended, and links its address."""
    return sext32(mem.load_linked(s + i, 4))


@row("lld", "110100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8)
def lld(mem: Memory, s: int, i: int) -> int:
    """Loads a doubleword and links its address."""
    return sext64(mem.load_linked(s + i, 8))


@row("lwl", "100010 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, reach="left", narrow="always")
def lwl(mem: Memory, i: int, s: int, t: int) -> int:
    """Loads the bytes from the address to the end of its word into the upper bytes of t's word."""
    byte = low_bits(s + i, 2)
    return sext32(mem.load(s + i - byte, 4) << 8 * byte | t & ones(8 * byte))


@row("lwr", "100110 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, reach="right", narrow="always")
def lwr(mem: Memory, i: int, s: int, t: int) -> int:
    """Loads the bytes from the start of the word to the address into the lower bytes of t's word, sign-extended."""
    byte = low_bits(s + i, 2)
    kept = t & ~ones(8 * (byte + 1))
    return sext32(lshr64(mem.load(s + i - byte, 4), 8 * (3 - byte)) | kept)


@row("ldl", "011010 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8, reach="left")
def ldl(mem: Memory, i: int, s: int, t: int) -> int:
    """Loads the bytes from the address to the end of its doubleword into the upper bytes of t."""
    byte = low_bits(s + i, 3)
    return sext64(mem.load(s + i - byte, 8) << 8 * byte | t & ones(8 * byte))


@row("ldr", "011011 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8, reach="right")
def ldr(mem: Memory, i: int, s: int, t: int) -> int:
    """Loads the bytes from the start of the doubleword to the address into the lower bytes of t."""
    byte = low_bits(s + i, 3)
    kept = t & ~ones(8 * (byte + 1))
    return sext64(lshr64(mem.load(s + i - byte, 8), 8 * (7 - byte)) | kept)


@row("sb", "101000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=1)
def sb(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the low byte."""
    mem.store(s + i, 1, t)


@row("sh", "101001 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=2)
def sh(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the low halfword."""
    mem.store(s + i, 2, t)


@row("sw", "101011 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4)
def sw(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the low word."""
    mem.store(s + i, 4, t)


@row("sd", "111111 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8)
def sd(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the doubleword."""
    mem.store(s + i, 8, t)


@row("sc", "111000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4, to="t", narrow="always")
def sc(mem: Memory, i: int, s: int, t: int) -> int:
    """Stores the low word if the link of LL stands; 1 where it did, else 0."""
    return mem.store_conditional(s + i, 4, t)


@row("scd", "111100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8, to="t", narrow="always")
def scd(mem: Memory, i: int, s: int, t: int) -> int:
    """Stores the doubleword if the link of LLD stands; 1 where it did, else 0."""
    return mem.store_conditional(s + i, 8, t)


@row("swl", "101010 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4, reach="left")
def swl(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the upper bytes of t's word from the address to the end of its word."""
    byte = low_bits(s + i, 2)
    mem.merge(s + i - byte, 4, zext32(t) >> 8 * byte, ones(32 - 8 * byte))


@row("swr", "101110 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4, reach="right")
def swr(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the lower bytes of t's word from the start of the word to the address."""
    byte = low_bits(s + i, 2)
    above = 8 * (3 - byte)
    mem.merge(s + i - byte, 4, t << above, ones(32) & ~ones(above))


@row("sdl", "101100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8, reach="left")
def sdl(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the upper bytes of t from the address to the end of its doubleword."""
    byte = low_bits(s + i, 3)
    mem.merge(s + i - byte, 8, lshr64(t, 8 * byte), ones(64 - 8 * byte))


@row("sdr", "101101 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8, reach="right")
def sdr(mem: Memory, i: int, s: int, t: int) -> None:
    """Stores the lower bytes of t from the start of the doubleword to the address."""
    byte = low_bits(s + i, 3)
    above = 8 * (7 - byte)
    mem.merge(s + i - byte, 8, t << above, ones(64) & ~ones(above))
