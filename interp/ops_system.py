"""Traps, SYNC, CACHE and coprocessor 0 (R4K App. A; fig. A-2).

CP0 registers are plain storage here; interrupts, the TLB and ERET are out of the reference's scope.
"""

from interp.events import trap
from interp.optable import Kind, row
from interp.words import bit, sext32, ult64


@row("tge", "000000 sssss ttttt cccccccccc 110000", "s,t,code", kind=Kind.TRAP)
@row("tgei", "000001 sssss 01000 iiiiiiiiiiiiiiii", "s,i", of="s i", kind=Kind.TRAP)
def tge(s: int, t: int) -> None:
    """Raises: trap where s >= t, signed."""
    trap("trap", s >= t)


@row("tgeu", "000000 sssss ttttt cccccccccc 110001", "s,t,code", kind=Kind.TRAP)
@row("tgeiu", "000001 sssss 01001 iiiiiiiiiiiiiiii", "s,i", of="s i", kind=Kind.TRAP)
def tgeu(s: int, t: int) -> None:
    """Raises: trap where s >= t, unsigned; the immediate is sign-extended first."""
    trap("trap", bit(ult64(s, t)) == 0)


@row("tlt", "000000 sssss ttttt cccccccccc 110010", "s,t,code", kind=Kind.TRAP)
@row("tlti", "000001 sssss 01010 iiiiiiiiiiiiiiii", "s,i", of="s i", kind=Kind.TRAP)
def tlt(s: int, t: int) -> None:
    """Raises: trap where s < t, signed."""
    trap("trap", s < t)


@row("tltu", "000000 sssss ttttt cccccccccc 110011", "s,t,code", kind=Kind.TRAP)
@row("tltiu", "000001 sssss 01011 iiiiiiiiiiiiiiii", "s,i", of="s i", kind=Kind.TRAP)
def tltu(s: int, t: int) -> None:
    """Raises: trap where s < t, unsigned; the immediate is sign-extended first."""
    trap("trap", ult64(s, t))


@row("teq", "000000 sssss ttttt cccccccccc 110100", "s,t,code", kind=Kind.TRAP)
@row("teqi", "000001 sssss 01100 iiiiiiiiiiiiiiii", "s,i", of="s i", kind=Kind.TRAP)
def teq(s: int, t: int) -> None:
    """Raises: trap where s = t."""
    trap("trap", s == t)


@row("tne", "000000 sssss ttttt cccccccccc 110110", "s,t,code", kind=Kind.TRAP)
@row("tnei", "000001 sssss 01110 iiiiiiiiiiiiiiii", "s,i", of="s i", kind=Kind.TRAP)
def tne(s: int, t: int) -> None:
    """Raises: trap where s and t differ."""
    trap("trap", s != t)


@row("syscall", "000000 cccccccccccccccccccc 001100", "code", kind=Kind.TRAP)
def syscall() -> None:
    """Raises: syscall."""
    trap("syscall", True)


@row("break", "000000 cccccccccccccccccccc 001101", "code1,code2", kind=Kind.TRAP)
def break_() -> None:
    """Raises: break."""
    trap("break", True)


@row("sync", "000000 00000 00000 00000 00000 001111", "", kind=Kind.SYSTEM)
@row("cache", "101111 sssss ttttt iiiiiiiiiiiiiiii", "op,i(s)", kind=Kind.SYSTEM)
def sync() -> None:
    """Nothing: the reference has neither caches nor another processor."""


@row("mfc0", "010000 00000 ttttt ddddd 00000000000", "t,c0", of="c0", narrow="always")
@row("mtc0", "010000 00100 ttttt ddddd 00000000000", "t,c0", of="t", to="c0")
def mfc0(value: int) -> int:
    """Moves the low word of a general or a CP0 register to the other, sign-extended."""
    return sext32(value)


@row("dmfc0", "010000 00001 ttttt ddddd 00000000000", "t,c0", of="c0")
@row("dmtc0", "010000 00101 ttttt ddddd 00000000000", "t,c0", of="t", to="c0")
def dmfc0(value: int) -> int:
    """Moves a doubleword between a general and a CP0 register."""
    return value


@row("tlbr", "010000 1 0000000000000000000 000001", "", kind=Kind.SYSTEM)
@row("tlbwi", "010000 1 0000000000000000000 000010", "", kind=Kind.SYSTEM)
@row("tlbwr", "010000 1 0000000000000000000 000110", "", kind=Kind.SYSTEM)
@row("tlbp", "010000 1 0000000000000000000 001000", "", kind=Kind.SYSTEM)
@row("eret", "010000 1 0000000000000000000 011000", "", kind=Kind.SYSTEM)
def refused() -> None:
    """Raises: refused; no function under test may touch the TLB or return from an exception."""
    trap("refused", True)
