"""A project of one guest function whose C is tied to its addresses, in several hands, right and wrong."""

from __future__ import annotations

from pathlib import Path

from harness.check import Options, check
from harness.program.assembly import encode
from harness.results import FunctionResult

#: v0 = ((a0 + 1) >> 2) + a1 if a1 is negative, else without it; the branch has its addition in the slot.
MIX = (
    encode("addiu", t=4, s=4, imm=1),  # 80001000
    encode("sra", d=2, t=4, a=2),  # 80001004
    encode("bltz", s=5, imm=2),  # 80001008
    encode("addu", d=2, s=2, t=5),  # 8000100c: in the slot
    encode("subu", d=2, s=2, t=5),  # 80001010
    encode("jr", s=31),  # 80001014
    encode("sw", t=2, s=6, imm=0),  # 80001018: in the slot
)
ADDRESS = 0x8000_1000

#: One statement a guest instruction, by its offset; ``{n}`` is register n.
RIGHT: dict[int, str] = {
    0x00: "{4} = (int32_t)({4} + 1);",
    0x04: "{2} = (int32_t){4} >> 2;",
    0x08: "taken = {5} < 0;",
    0x0C: "{2} = (int32_t)({2} + {5});",
    0x10: "{2} = (int32_t)({2} - {5});",
    0x14: ";",
    0x18: "put(m, {6}, {2});",
}

_HEADER = """
#include <stdint.h>
struct guest { int64_t r[32]; };
extern struct guest g;
static inline void put(uint8_t *m, int64_t a, int64_t v)
{
    uint32_t at = (uint32_t)a - 0x80000000u;
    for (int i = 0; i < 4; i++) m[at + i] = (uint8_t)(v >> (24 - 8 * i));
}
"""

_TALLY = """
[guest]
image = "guest.bin"
base = "0x80001000"
functions = "functions.txt"
abi = "o32"
[translated]
sources = ["c/*.c"]
include = ["c"]
headers = ["guest.h"]
compilers = ["cc -O1"]
[translated.binding]
function = "f_{{name}}"
call = "{{function}}({{memory}})"
prototype = "void {{function}}(uint8_t *m)"
gpr = "g.r[{{n}}]"
[check]
states = 60
fuel = 1000
"""


def _in_comments(offset: int, statement: str) -> str:
    return f"    {statement} /* {ADDRESS + offset:08x} */"


def _behind_directives(offset: int, statement: str) -> str:
    return f'#line {offset // 4 + 2} "guest.lst"\n    {statement}'


def _in_labels(offset: int, statement: str) -> str:
    return f"at_{ADDRESS + offset:08x}: {statement}"


def _nowhere(_: int, statement: str) -> str:
    return f"    {statement}"


#: How a line is tied to its address.
TIES = {"comments": _in_comments, "directives": _behind_directives, "labels": _in_labels, "nothing": _nowhere}


def body(statements: dict[int, str], tie: str, cached: bool, jumps: bool) -> str:
    """The C of the function.

    ``cached`` keeps the registers in variables from its beginning to its end. What the branch leads past is jumped
    over, or else stands under a condition.
    """
    used = (2, 4, 5, 6)
    names = {n: f"reg_{n}" if cached else f"g.r[{n}]" for n in range(32)}
    lines = ["void f_mix(uint8_t *m)", "{", "    int taken;"]
    lines += [f"    int64_t reg_{n} = g.r[{n}];" for n in used if cached]
    for offset, statement in statements.items():
        text = statement
        for n in range(32):
            text = text.replace(f"{{{n}}}", names[n])
        if offset == 0x0C and jumps:
            text += " if (taken) goto past;"
        if offset == 0x10 and not jumps:
            text = f"if (!taken) {{ {text} }}"
        lines.append(TIES[tie](offset, text))
        lines += ["past:"] if offset == 0x10 else []
    lines += [f"    g.r[{n}] = reg_{n};" for n in used if cached]
    return "\n".join([*lines, "}"])


def make(folder: Path, wrong: dict[int, str], tie: str = "comments", cached: bool = False, jumps: bool = True) -> Path:
    """Writes the project with ``wrong`` statements into ``folder`` and gives its tally.toml."""
    image = b"".join(word.to_bytes(4, "big") for word in MIX)
    (folder / "guest.bin").write_bytes(image)
    (folder / "functions.txt").write_text(f"{ADDRESS:08x} {len(image):x} mix\n")
    (folder / "c").mkdir()
    (folder / "c" / "guest.h").write_text(_HEADER)
    listing = "".join(f"{ADDRESS + n:08x}  instruction\n" for n in range(0, len(image), 4))
    (folder / "c" / "guest.lst").write_text("the listing\n" + listing)
    c = body({**RIGHT, **wrong}, tie, cached, jumps)
    (folder / "c" / "all.c").write_text('#include "guest.h"\nstruct guest g;\n' + c + "\n")
    tally = folder / "tally.toml"
    tally.write_text(_TALLY.format())
    return tally


def case_of(tally: Path) -> Path:
    """The case that a check of the project saves."""
    result: FunctionResult
    (result,) = check(tally, Options(workers=1)).functions
    assert result.finding is not None, result.reason
    found: Path = tally.parent / ".tallystick" / "cases" / Path(result.finding.case).name
    return found
