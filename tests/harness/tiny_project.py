"""A whole project in a few lines: a raw guest image made of encoded instructions, its C by hand, and a tally.toml."""

from __future__ import annotations

from pathlib import Path

from harness.program.assembly import encode

NOP = 0
RETURN = (encode("jr", s=31), NOP)

#: Guest functions: name -> words. Registers: v0 = 2, a0 = 4, a1 = 5, ra = 31.
GUEST: dict[str, tuple[int, ...]] = {
    "add": (encode("addu", d=2, s=4, t=5), *RETURN),
    "store": (encode("sw", t=5, s=4, imm=0), *RETURN),
    "divide": (encode("div", s=4, t=5), encode("mflo", d=2), *RETURN),
    "spin": (encode("beq", s=0, t=0, imm=-1), NOP),
}

RIGHT: dict[str, str] = {
    "add": "g.r[2] = (int32_t)(g.r[4] + g.r[5]);",
    "store": "put(m, g.r[4], g.r[5]);",
    # What the manual leaves open is avoided as a port would: a host division by zero kills it.
    "divide": "int32_t a = g.r[4], b = g.r[5]; g.r[2] = b == 0 ? 0 : b == -1 ? (int32_t)-(uint32_t)a : a / b;",
    "spin": "for (volatile int on = 1; on;) {}",
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
compilers = {compilers}
seconds = 0.2
[translated.binding]
function = "f_{{name}}"
call = "{{function}}({{memory}})"
prototype = "void {{function}}(uint8_t *m)"
gpr = "g.r[{{n}}]"
[check]
states = 40
fuel = 1000
{check}
"""


def make(folder: Path, c: dict[str, str] | None = None, check: str = "", compilers: str = '["cc -O1"]') -> Path:
    """Writes the project into ``folder`` and gives its tally.toml; ``c`` replaces bodies, None leaves one out."""
    address, image, lines = 0x8000_1000, b"", []
    for name, words in GUEST.items():
        image += b"".join(word.to_bytes(4, "big") for word in words)
        lines.append(f"{address:08x} {4 * len(words):x} {name}")
        address += 4 * len(words)
    (folder / "guest.bin").write_bytes(image)
    (folder / "functions.txt").write_text("\n".join(lines) + "\n")
    (folder / "c").mkdir()
    (folder / "c" / "guest.h").write_text(_HEADER)
    bodies = {**RIGHT, **(c or {})}
    functions = [f"void f_{name}(uint8_t *m) {{ (void)m; {body} }}" for name, body in bodies.items() if body]
    (folder / "c" / "all.c").write_text('#include "guest.h"\nstruct guest g;\n' + "\n".join(functions) + "\n")
    tally = folder / "tally.toml"
    tally.write_text(_TALLY.format(check=check, compilers=compilers))
    return tally
