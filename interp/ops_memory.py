"""Loads and stores (R4K App. A, A-97, A-103, A-105, A-126; App. B, p. 154-163; V41 pp. 515-518).

The address is s plus the sign-extended immediate. Raises: address errors by alignment and TLB misses, from ``Memory``.
The left and right halves of unaligned accesses stay inside the aligned word or doubleword and never raise by alignment:
"left" moves the bytes from the address to its end, the upper bytes of the register; "right" those from its start to the
address, the lower bytes of the register. One meaning serves all widths where only ``n``, the bytes, differs.
"""

from interp.memory import Memory
from interp.optable import Kind, row
from interp.words import modulo, ones, sext, zext64


@row("lb", "100000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=1, narrow="always")
@row("lh", "100001 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=2, narrow="always")
@row("lw", "100011 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, narrow="always")
@row("ld", "110111 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8)
def load(mem: Memory, n: int, s: int, i: int) -> int:
    """Loads ``n`` bytes, sign-extended."""
    return sext(mem.load(s + i, n), 8 * n)


@row("lbu", "100100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=1, narrow="always")
@row("lhu", "100101 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=2, narrow="always")
@row("lwu", "100111 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4)
@row("lwc1", "110001 sssss ttttt iiiiiiiiiiiiiiii", "ft,i(s)", kind=Kind.LOAD, access=4, fp_out=32)
@row("ldc1", "110101 sssss ttttt iiiiiiiiiiiiiiii", "ft,i(s)", kind=Kind.LOAD, access=8, fp_out=64)
def load_unsigned(mem: Memory, n: int, s: int, i: int) -> int:
    """Loads ``n`` bytes, zero-extended."""
    return mem.load(s + i, n)


@row("ll", "110000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, narrow="always")
@row("lld", "110100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8)
def load_linked(mem: Memory, n: int, s: int, i: int) -> int:
    """Loads ``n`` bytes, sign-extended, and links their address."""
    return sext(mem.load_linked(s + i, n), 8 * n)


@row("lwl", "100010 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, reach="left", narrow="always")
@row("ldl", "011010 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8, reach="left")
def load_left(mem: Memory, n: int, i: int, s: int, t: int) -> int:
    """Loads the left half into t, which keeps its lower bytes."""
    byte = modulo(s + i, n)
    return sext(mem.load(s + i - byte, n) << 8 * byte | t & ones(8 * byte), 8 * n)


@row("lwr", "100110 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=4, reach="right", narrow="always")
@row("ldr", "011011 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.LOAD, access=8, reach="right")
def load_right(mem: Memory, n: int, i: int, s: int, t: int) -> int:
    """Loads the right half into t, which keeps its upper bytes; a word is sign-extended whatever it keeps."""
    byte = modulo(s + i, n)
    loaded = zext64(mem.load(s + i - byte, n)) >> 8 * (n - 1 - byte)
    return sext(loaded | t & ~ones(8 * (byte + 1)), 8 * n)


@row("sb", "101000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=1)
@row("sh", "101001 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=2)
@row("sw", "101011 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4)
@row("sd", "111111 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8)
@row("swc1", "111001 sssss ttttt iiiiiiiiiiiiiiii", "ft,i(s)", of="mem n i s ft", kind=Kind.STORE, access=4, fp_in=32)
@row("sdc1", "111101 sssss ttttt iiiiiiiiiiiiiiii", "ft,i(s)", of="mem n i s ft", kind=Kind.STORE, access=8, fp_in=64)
def store(mem: Memory, n: int, i: int, s: int, t: int) -> None:
    """Stores the low ``n`` bytes."""
    mem.store(s + i, n, t)


@row("sc", "111000 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4, to="t", narrow="always")
@row("scd", "111100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8, to="t", narrow="always")
def store_conditional(mem: Memory, n: int, i: int, s: int, t: int) -> int:
    """Stores the low ``n`` bytes if the link stands; 1 where it did, else 0."""
    return mem.store_conditional(s + i, n, t)


@row("swl", "101010 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4, reach="left")
@row("sdl", "101100 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8, reach="left")
def store_left(mem: Memory, n: int, i: int, s: int, t: int) -> None:
    """Stores the left half of t."""
    byte = modulo(s + i, n)
    mem.merge(s + i - byte, n, zext64(t & ones(8 * n)) >> 8 * byte, ones(8 * (n - byte)))


@row("swr", "101110 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=4, reach="right")
@row("sdr", "101101 sssss ttttt iiiiiiiiiiiiiiii", "t,i(s)", kind=Kind.STORE, access=8, reach="right")
def store_right(mem: Memory, n: int, i: int, s: int, t: int) -> None:
    """Stores the right half of t."""
    byte = modulo(s + i, n)
    above = 8 * (n - 1 - byte)
    mem.merge(s + i - byte, n, t << above, ones(8 * n) & ~ones(above))
