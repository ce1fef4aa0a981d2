"""Branches and jumps (R4K 2.1, App. A; V41 p. 497). A branch means its condition, all 64 bits compared.

The machine does the rest: target, delay slot (nullified when a likely branch is not taken) and link, which is written
whether the branch is taken or not.
"""

from interp.optable import Kind, row


@row("beq", "000100 sssss ttttt iiiiiiiiiiiiiiii", "s,t,p", kind=Kind.BRANCH)
@row("beql", "010100 sssss ttttt iiiiiiiiiiiiiiii", "s,t,p", kind=Kind.LIKELY)
def beq(s: int, t: int) -> bool:
    """Whether s = t."""
    return s == t


@row("bne", "000101 sssss ttttt iiiiiiiiiiiiiiii", "s,t,p", kind=Kind.BRANCH)
@row("bnel", "010101 sssss ttttt iiiiiiiiiiiiiiii", "s,t,p", kind=Kind.LIKELY)
def bne(s: int, t: int) -> bool:
    """Whether s and t differ."""
    return s != t


@row("blez", "000110 sssss 00000 iiiiiiiiiiiiiiii", "s,p", kind=Kind.BRANCH)
@row("blezl", "010110 sssss 00000 iiiiiiiiiiiiiiii", "s,p", kind=Kind.LIKELY)
def blez(s: int) -> bool:
    """Whether s <= 0, signed."""
    return s <= 0


@row("bgtz", "000111 sssss 00000 iiiiiiiiiiiiiiii", "s,p", kind=Kind.BRANCH)
@row("bgtzl", "010111 sssss 00000 iiiiiiiiiiiiiiii", "s,p", kind=Kind.LIKELY)
def bgtz(s: int) -> bool:
    """Whether s > 0, signed."""
    return s > 0


@row("bltz", "000001 sssss 00000 iiiiiiiiiiiiiiii", "s,p", kind=Kind.BRANCH)
@row("bltzl", "000001 sssss 00010 iiiiiiiiiiiiiiii", "s,p", kind=Kind.LIKELY)
@row("bltzal", "000001 sssss 10000 iiiiiiiiiiiiiiii", "s,p", kind=Kind.BRANCH, to="ra")
@row("bltzall", "000001 sssss 10010 iiiiiiiiiiiiiiii", "s,p", kind=Kind.LIKELY, to="ra")
def bltz(s: int) -> bool:
    """Whether s < 0, signed."""
    return s < 0


@row("bgez", "000001 sssss 00001 iiiiiiiiiiiiiiii", "s,p", kind=Kind.BRANCH)
@row("bgezl", "000001 sssss 00011 iiiiiiiiiiiiiiii", "s,p", kind=Kind.LIKELY)
@row("bgezal", "000001 sssss 10001 iiiiiiiiiiiiiiii", "s,p", kind=Kind.BRANCH, to="ra")
@row("bgezall", "000001 sssss 10011 iiiiiiiiiiiiiiii", "s,p", kind=Kind.LIKELY, to="ra")
def bgez(s: int) -> bool:
    """Whether s >= 0, signed."""
    return s >= 0


@row("j", "000010 jjjjjjjjjjjjjjjjjjjjjjjjjj", "p", kind=Kind.JUMP)
@row("jal", "000011 jjjjjjjjjjjjjjjjjjjjjjjjjj", "p", kind=Kind.JUMP, to="ra")
def j() -> bool:
    """Jumps always, to a field within the 256 MiB of the delay slot."""
    return True


@row("jr", "000000 sssss 000000000000000 001000", "s", kind=Kind.INDIRECT)
@row("jalr", "000000 sssss 00000 ddddd 00000 001001", "link,s", kind=Kind.INDIRECT, to="d")
def jr(s: int) -> int:
    """The target; a misaligned one is an address error at its fetch."""
    return s
