"""A project that talks to the world outside: externals at fixed addresses, a device, callees; its C by hand."""

from __future__ import annotations

from pathlib import Path

from harness.program.assembly import encode

OPEN, SEND, CLOSE = 0x8000_0400, 0x8000_0410, 0x8000_0420
A0, A1, V0, S0, S1, SP, RA, T0, T1 = 4, 5, 2, 16, 17, 29, 31, 8, 9
BASE = 0x8000_1000
NOP = 0


def jal(address: int) -> int:
    return 0x0C00_0000 | address >> 2 & 0x03FF_FFFF


def move(d: int, s: int) -> int:
    return encode("or", d=d, s=s, t=0)


ENTER = (
    encode("addiu", t=SP, s=SP, imm=-32),
    encode("sw", t=RA, s=SP, imm=28),
    encode("sw", t=S0, s=SP, imm=24),
    encode("sw", t=S1, s=SP, imm=20),
)
LEAVE = (
    encode("lw", t=RA, s=SP, imm=28),
    encode("lw", t=S0, s=SP, imm=24),
    encode("lw", t=S1, s=SP, imm=20),
    encode("jr", s=RA),
    encode("addiu", t=SP, s=SP, imm=32),
)

#: Guest functions in the order of the image; ``{name}`` of another one is its address.
ANNOUNCE = (
    *ENTER,
    move(S0, A0),
    jal(OPEN),
    move(S1, A1),
    move(A0, S0),
    jal(SEND),
    move(A1, S1),
    move(S1, V0),
    jal(CLOSE),
    move(A0, S0),
    move(V0, S1),
    *LEAVE,
)
SIGNAL = (
    encode("lui", t=T0, imm=0xA4F0 - 0x1_0000),
    encode("lw", t=T1, s=T0, imm=4),
    encode("andi", t=T1, s=T1, imm=4),
    encode("beq", s=T1, t=0, imm=-3),
    NOP,
    encode("sh", t=A0, s=T0, imm=8),
    encode("jr", s=RA),
    encode("sw", t=A1, s=T0, imm=12),
)
HALVE = (encode("sra", d=V0, t=A0, a=1), encode("jr", s=RA), encode("sw", t=V0, s=A1, imm=0))
SIZES = {"announce": len(ANNOUNCE), "signal": len(SIGNAL), "halve": len(HALVE)}
HALVE_AT = BASE + 4 * (SIZES["announce"] + SIZES["signal"])
QUARTER = (
    *ENTER,
    move(S1, A1),
    jal(HALVE_AT),
    NOP,
    move(A0, V0),
    jal(HALVE_AT),
    encode("addiu", t=A1, s=S1, imm=4),
    *LEAVE,
)
LAST = (0x0800_0000 | HALVE_AT >> 2 & 0x03FF_FFFF, encode("addiu", t=A0, s=A0, imm=1))
QUARTER_AT = HALVE_AT + 4 * len(HALVE)
FACTORIAL_AT = QUARTER_AT + 4 * (len(QUARTER) + len(LAST))
#: Recursive, and bound to end: a0 is cut to 3 bits.
FACTORIAL = (
    *ENTER,
    encode("andi", t=A0, s=A0, imm=7),
    encode("beq", s=A0, t=0, imm=6),
    encode("addiu", t=V0, s=0, imm=1),
    move(S0, A0),
    jal(FACTORIAL_AT),
    encode("addiu", t=A0, s=A0, imm=-1),
    encode("multu", s=V0, t=S0),
    encode("mflo", d=V0),
    *LEAVE,
)
GUEST = {
    "announce": ANNOUNCE,
    "signal": SIGNAL,
    "halve": HALVE,
    "quarter": QUARTER,
    "last": LAST,
    "factorial": FACTORIAL,
}

#: What the C does, where R is the registers and m the memory. It keeps registers on the stack as the guest does.
RIGHT = {
    "announce": """
        ENTER(); R[16] = R[4]; R[17] = R[5]; R[31] = LINK(announce, 7); f_port_open(m);
        R[4] = R[16]; R[5] = R[17]; f_port_send(m); R[17] = R[2];
        R[4] = R[16]; f_port_close(m); R[2] = R[17]; LEAVE();""",
    "signal": """
        do R[9] = dev_read32(0xa4f00004u) & 4; while (!R[9]);
        R[8] = (int32_t)0xa4f00000; dev_write16(0xa4f00008u, R[4]); dev_write32(0xa4f0000cu, R[5]);""",
    "halve": "R[2] = (int32_t)R[4] >> 1; put(m, R[5], R[2]);",
    "quarter": """
        ENTER(); R[17] = R[5]; f_halve(m); R[4] = R[2]; R[5] = (int32_t)(R[17] + 4); f_halve(m); LEAVE();""",
    "last": "R[4] = (int32_t)(R[4] + 1); f_halve(m);",
    "factorial": """
        ENTER(); R[4] &= 7;
        if (R[4]) {
            R[16] = R[4]; R[4] = R[4] - 1; f_factorial(m); R[2] = (int32_t)(R[2] * R[16]);
        } else R[2] = 1;
        LEAVE();""",
}

HEADER = """
#include <stdint.h>
#pragma once
extern int64_t R[32];
static inline uint8_t *at(uint8_t *m, int64_t a) { return m + ((uint32_t)a - 0x80000000u); }
static inline void put(uint8_t *m, int64_t a, int64_t v)
{
    for (int i = 0; i < 4; i++) at(m, a)[i] = (uint8_t)(v >> (24 - 8 * i));
}
static inline int64_t get(uint8_t *m, int64_t a)
{
    uint8_t *b = at(m, a);
    return (int32_t)((uint32_t)b[0] << 24 | b[1] << 16 | b[2] << 8 | b[3]);
}
#define ENTER() (R[29] = (int32_t)(R[29] - 32), put(m, R[29] + 28, R[31]), put(m, R[29] + 24, R[16]), \\
    put(m, R[29] + 20, R[17]))
#define LEAVE() (R[31] = get(m, R[29] + 28), R[16] = get(m, R[29] + 24), R[17] = get(m, R[29] + 20), \\
    R[29] = (int32_t)(R[29] + 32))
#define LINK(function, word) R[31]
uint32_t dev_read32(uint32_t address);
void dev_write8(uint32_t address, uint32_t value);
void dev_write16(uint32_t address, uint32_t value);
void dev_write32(uint32_t address, uint32_t value);
void f_port_open(uint8_t *m);
void f_port_send(uint8_t *m);
void f_port_close(uint8_t *m);
"""

EXTERNALS = """
[[external]]
name = "port_open"
address = "0x80000400"
arguments = ["a0"]
[[external]]
name = "port_send"
address = "0x80000410"
arguments = ["a0", "a1"]
reads = ["a1[8]"]
[[external]]
name = "port_close"
address = "0x80000420"
arguments = ["a0"]
result = "none"
[[window]]
name = "crane"
address = "0xa4f00000"
size = 16
"""

TALLY = """
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
seconds = 0.2
[translated.binding]
function = "f_{name}"
call = "{function}({memory})"
prototype = "void {function}(uint8_t *m)"
gpr = "R[{n}]"
device_read = "uint32_t dev_read{bits}(uint32_t {address})"
device_write = "void dev_write{bits}(uint32_t {address}, uint32_t {value})"
[check]
states = 24
fuel = 2000
"""


def make(
    folder: Path,
    c: dict[str, str] | None = None,
    more: str = EXTERNALS,
    check: str = "",
    compilers: str = '["cc -O1"]',
    apart: bool = False,
    static: str = "",
) -> Path:
    """Writes the project into ``folder`` and gives its tally.toml.

    ``c`` replaces bodies, None leaves one out; with ``apart`` each function has a C file of its own. ``more`` is the
    end of the file, ``check`` is added to its table; the function ``static`` is that in the C.
    """
    address, image, lines = BASE, b"", []
    for name, words in GUEST.items():
        image += b"".join(word.to_bytes(4, "big") for word in words)
        lines.append(f"{address:08x} {4 * len(words):x} {name}")
        address += 4 * len(words)
    (folder / "guest.bin").write_bytes(image)
    (folder / "functions.txt").write_text("\n".join(lines) + "\n")
    (folder / "c").mkdir(exist_ok=True)
    declared = "".join(f"{'static ' * (name == static)}void f_{name}(uint8_t *m);\n" for name in RIGHT)
    (folder / "c" / "guest.h").write_text(HEADER + declared)
    (folder / "c" / "state.c").write_text('#include "guest.h"\nint64_t R[32];\n')
    bodies = {**RIGHT, **(c or {})}
    for name, body in bodies.items():
        text = f"{'static ' * (name == static)}void f_{name}(uint8_t *m) {{ {body} }}\n" if body else ""
        with (folder / "c" / (f"{name}.c" if apart else "all.c")).open("a") as file:
            file.write(f'#include "guest.h"\n{text}')
    tally = folder / "tally.toml"
    tally.write_text(TALLY.replace('["cc -O1"]', compilers) + check + more)
    return tally
