"""Small guest programs, written as instructions, for the tests of states."""

from __future__ import annotations

from pathlib import Path

from harness.engines.base import PAGE, Region
from harness.program.assembly import encode
from harness.program.model import Function, Program

BASE = 0xFFFF_FFFF_8000_1000
DATA = 0xFFFF_FFFF_8000_2000
ZERO, V0, A0, A1, A2, T0, T1, SP, RA = 0, 2, 4, 5, 6, 8, 9, 29, 31

NOP = encode("sll")
RETURN = (encode("jr", s=RA), NOP)


def program(*functions: tuple[int, ...], data: bytes = b"") -> Program:
    """A program of the given functions, one after another from ``BASE``, and a page of data."""
    words: list[int] = []
    listed: list[Function] = []
    for number, code in enumerate(functions):
        listed.append(Function(f"f{number}", BASE + 4 * len(words), 4 * len(code)))
        words.extend(code)
    text = b"".join(word.to_bytes(4, "big") for word in words)
    code = Region(BASE, text.ljust(PAGE, b"\0"), writable=False, name=".text")
    variables = Region(DATA, data.ljust(PAGE, b"\0"), writable=True, name=".data")
    return Program(Path("test.elf"), (code, variables), (code,), tuple(listed), gp=0, entry=BASE)


#: sum = 0; while (list) { sum += list->value; list = list->next; }  with value at 0 and next at 4
LIST_SUM = (
    encode("addu", d=V0),
    encode("beq", s=A0, t=ZERO, i=6),
    NOP,
    encode("lw", t=T0, s=A0, i=0),
    encode("addu", d=V0, s=V0, t=T0),
    encode("lw", t=A0, s=A0, i=4),
    encode("beq", s=ZERO, t=ZERO, i=-6),
    NOP,
    *RETURN,
)

#: for (i = 0; i != n; i++) sum += a[i];  a in a0, n in a1
ARRAY_SUM = (
    encode("addu", d=V0),
    encode("beq", s=A1, t=ZERO, i=7),
    NOP,
    encode("lw", t=T0, s=A0, i=0),
    encode("addu", d=V0, s=V0, t=T0),
    encode("addiu", t=A0, s=A0, i=4),
    encode("addiu", t=A1, s=A1, i=-1),
    encode("bne", s=A1, t=ZERO, i=-5),
    NOP,
    *RETURN,
)

#: if (a0 == 0x12345) return 1; return 0;
MAGIC = (
    encode("lui", t=T0, i=1),
    encode("ori", t=T0, s=T0, i=0x2345),
    encode("bne", s=A0, t=T0, i=3),
    encode("addu", d=V0),
    *RETURN[:1],
    encode("addiu", t=V0, i=1),
    *RETURN,
)

IDENTITY = (encode("jr", s=RA), encode("addu", d=V0, s=A0))
