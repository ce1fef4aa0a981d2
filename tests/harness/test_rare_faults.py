"""Faults that show on hardly any input: behind several conditions at once, where pointers overlap, in what is called.

Each guest function has its C written by hand, right and with one fault. Random values do not find these faults; a check
with default settings has to.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest

from harness.check import Options, check
from harness.program.assembly import encode
from harness.results import FunctionResult
from harness.verdicts import Verdict

ZERO, V0, V1, A0, A1, T0, T1, T2, SP, RA = 0, 2, 3, 4, 5, 8, 9, 10, 29, 31
RETURN = (encode("jr", s=31), 0)
BASE, FIRST, SECOND, DEVICE = 0x8000_1000, 0x8000_0400, 0x8000_0410, 0xA4F0_0000
#: A table of 512 halfwords, all different, at the end of the image.
TABLE_AT = BASE + 0x800
TABLE = b"".join((n * 0x6B43 & 0xFFFF).to_bytes(2, "big") for n in range(512))


def jal(address: int) -> int:
    return 0x0C00_0000 | address >> 2 & 0x03FF_FFFF


class Rare(NamedTuple):
    """A guest function, its C, and the same C with a fault; ``R`` is the register file, ``m`` the memory."""

    words: tuple[int, ...]
    right: str
    wrong: str


def seven_objects() -> tuple[int, ...]:
    """for (n = 0; n < 7 && a0; n++, a0 = a0->next) if (a0->value == 40 + n) break; as seven pieces of code."""
    words: list[int] = []
    for n in range(7):
        words += [
            encode("beq", s=A0, t=ZERO, i=6 * (7 - n) - 1),
            encode("addiu", t=V0, i=n),
            encode("lw", t=T0, s=A0, i=4),
            encode("addiu", t=T1, i=40 + n),
            encode("beq", s=T0, t=T1, i=6 * (7 - n) - 5),
            encode("lw", t=A0, s=A0),
        ]
    return (*words, *RETURN)


SEVEN_OBJECTS = """
int n; int64_t p = R[4];
for (n = 0; n < 7 && p; n++, p = (int32_t)get32(m, p)) {
    R[2] = n;
    if ((int32_t)get32(m, p + 4) == 40 + n) break;
}
if (n < 7) R[2] = n;
"""

RARE: dict[str, Rare] = {
    # return a0 == 0x600d ? 7 : a0;  at the address that the next one calls
    "callee": Rare(
        (
            encode("ori", t=T0, s=ZERO, i=0x600D),
            encode("bne", s=A0, t=T0, i=3),
            encode("or", d=V0, s=A0, t=ZERO),
            encode("jr", s=31),
            encode("addiu", t=V0, i=7),
            *RETURN,
        ),
        "R[2] = R[4] == 0x600d ? 7 : R[4];",
        "R[2] = R[4];",
    ),
    # return callee(a0 + 1);
    "caller_of_what_is_wrong": Rare(
        (
            encode("addiu", t=SP, s=SP, i=-24),
            encode("sw", t=RA, s=SP, i=20),
            jal(BASE),
            encode("addiu", t=A0, s=A0, i=1),
            encode("lw", t=RA, s=SP, i=20),
            encode("jr", s=31),
            encode("addiu", t=SP, s=SP, i=24),
        ),
        "R[4] = (int32_t)(R[4] + 1); f_callee(m);",
        "R[4] = (int32_t)(R[4] + 1); f_callee(m);",
    ),
    # if (a0 == 0x7e57) { first(1); second(2); }
    "order_of_calls": Rare(
        (
            encode("addiu", t=SP, s=SP, i=-24),
            encode("sw", t=RA, s=SP, i=20),
            encode("ori", t=T0, s=ZERO, i=0x7E57),
            encode("bne", s=A0, t=T0, i=5),
            0,
            jal(FIRST),
            encode("addiu", t=A0, i=1),
            jal(SECOND),
            encode("addiu", t=A0, i=2),
            encode("lw", t=RA, s=SP, i=20),
            encode("jr", s=31),
            encode("addiu", t=SP, s=SP, i=24),
        ),
        "if (R[4] == 0x7e57) { R[4] = 1; f_first(m); R[4] = 2; f_second(m); }",
        "if (R[4] == 0x7e57) { R[4] = 2; f_second(m); R[4] = 1; f_first(m); }",
    ),
    # if (a0 == 0x7e57) { device[2] = a1; device[3] = 0; }
    "order_of_device_writes": Rare(
        (
            encode("ori", t=T0, s=ZERO, i=0x7E57),
            encode("bne", s=A0, t=T0, i=3),
            encode("lui", t=T1, i=(DEVICE >> 16) - 0x1_0000),
            encode("sw", t=A1, s=T1, i=8),
            encode("sw", t=ZERO, s=T1, i=12),
            *RETURN,
        ),
        "if (R[4] == 0x7e57) { dev_write32(0xa4f00008u, R[5]); dev_write32(0xa4f0000cu, 0); }",
        "if (R[4] == 0x7e57) { dev_write32(0xa4f0000cu, 0); dev_write32(0xa4f00008u, R[5]); }",
    ),
    # return table[a0 & 511] == what entry 300 holds ? 1 : 0;  the table lies in the image and may be written
    "one_entry_of_a_table": Rare(
        (
            encode("andi", t=T0, s=A0, i=511),
            encode("sll", d=T0, t=T0, a=1),
            encode("lui", t=T1, i=(TABLE_AT >> 16) - 0x1_0000),
            encode("addu", d=T1, s=T1, t=T0),
            encode("lhu", t=T0, s=T1, i=TABLE_AT & 0xFFFF),
            encode("ori", t=T1, s=ZERO, i=int.from_bytes(TABLE[600:602], "big")),
            encode("bne", s=T0, t=T1, i=3),
            encode("addu", d=V0),
            encode("jr", s=31),
            encode("addiu", t=V0, i=1),
            *RETURN,
        ),
        "int64_t entry = 0x80001800 + 2 * (R[4] & 511);"
        f"R[2] = (get8(m, entry) << 8 | get8(m, entry + 1)) == {int.from_bytes(TABLE[600:602], 'big')};",
        "R[2] = 0;",
    ),
    # for (n = 0; n < 96 && a0[n] == ' '; n++) {} return n;
    "a_line_of_blanks": Rare(
        (
            encode("addu", d=V0),
            encode("lbu", t=T0, s=A0),
            encode("addiu", t=T1, i=ord(" ")),
            encode("bne", s=T0, t=T1, i=5),
            encode("addiu", t=A0, s=A0, i=1),
            encode("addiu", t=V0, s=V0, i=1),
            encode("slti", t=T0, s=V0, i=96),
            encode("bne", s=T0, t=ZERO, i=-7),
            0,
            *RETURN,
        ),
        "int n = 0; while (n < 96 && get8(m, R[4] + n) == ' ') n++; R[2] = n;",
        "int n = 0; while (n < 96 && get8(m, R[4] + n) == ' ') n++; R[2] = n < 96 ? n : 0;",
    ),
    "the_seventh_object_of_a_list": Rare(
        seven_objects(),
        SEVEN_OBJECTS,
        SEVEN_OBJECTS + "if (n == 6 && (int32_t)get32(m, p + 4) == 46) R[2] = 0;",
    ),
    # return a0 % 8 == 3 ? 1 : *(uint8_t *)a0;
    "pointer_off_its_alignment": Rare(
        (
            encode("andi", t=T0, s=A0, i=7),
            encode("addiu", t=T1, i=3),
            encode("bne", s=T0, t=T1, i=2),
            encode("lbu", t=V0, s=A0),
            encode("addiu", t=V0, i=1),
            *RETURN,
        ),
        "R[2] = (R[4] & 7) == 3 ? 1 : get8(m, R[4]);",
        "R[2] = get8(m, R[4]);",
    ),
    # return a0 == 0x12345678 && a1 - a0 == 77 ? 1 : 0;
    "two_equations": Rare(
        (
            encode("lui", t=T0, i=0x1234),
            encode("ori", t=T0, s=T0, i=0x5678),
            encode("bne", s=A0, t=T0, i=5),
            encode("addu", d=V0),
            encode("subu", d=T1, s=A1, t=A0),
            encode("addiu", t=T2, i=77),
            encode("beq", s=T1, t=T2, i=3),
            0,
            *RETURN,
            encode("jr", s=31),
            encode("addiu", t=V0, i=1),
        ),
        "R[2] = (uint32_t)R[4] == 0x12345678u && (int32_t)(R[5] - R[4]) == 77;",
        "R[2] = 0;",
    ),
    # return text is "key" ? 3 : 0;
    "three_letters": Rare(
        (
            encode("lbu", t=T0, s=A0),
            encode("addiu", t=T1, i=ord("k")),
            encode("bne", s=T0, t=T1, i=11),
            encode("addu", d=V0),
            encode("lbu", t=T0, s=A0, i=1),
            encode("addiu", t=T1, i=ord("e")),
            encode("bne", s=T0, t=T1, i=7),
            0,
            encode("lbu", t=T0, s=A0, i=2),
            encode("addiu", t=T1, i=ord("y")),
            encode("bne", s=T0, t=T1, i=3),
            0,
            encode("jr", s=31),
            encode("addiu", t=V0, i=3),
            *RETURN,
        ),
        "R[2] = get8(m, R[4]) == 'k' && get8(m, R[4] + 1) == 'e' && get8(m, R[4] + 2) == 'y' ? 3 : 0;",
        "R[2] = get8(m, R[4]) == 'k' && get8(m, R[4] + 1) == 'e' && get8(m, R[4] + 2) == 'y' ? 2 : 0;",
    ),
    # return a0[0] + a0[1] + a0[2] == a0[3] ? 1 : 0; for bytes, the sum not 0
    "sum_of_bytes": Rare(
        (
            encode("lbu", t=T0, s=A0),
            encode("lbu", t=T1, s=A0, i=1),
            encode("addu", d=T0, s=T0, t=T1),
            encode("lbu", t=T1, s=A0, i=2),
            encode("addu", d=T0, s=T0, t=T1),
            encode("lbu", t=T1, s=A0, i=3),
            encode("addiu", t=T2, i=200),
            encode("bne", s=T0, t=T2, i=5),
            encode("addu", d=V0),
            encode("bne", s=T0, t=T1, i=3),
            0,
            encode("jr", s=31),
            encode("addiu", t=V0, i=1),
            *RETURN,
        ),
        "uint32_t sum = get8(m, R[4]) + get8(m, R[4] + 1) + get8(m, R[4] + 2);"
        "R[2] = sum == 200 && sum == get8(m, R[4] + 3);",
        "R[2] = 0;",
    ),
    # *a0 = 1; return *a1;
    "same_word": Rare(
        (encode("addiu", t=T0, i=1), encode("sw", t=T0, s=A0), encode("lw", t=V0, s=A1), *RETURN),
        "put32(m, R[4], 1); R[2] = (int32_t)get32(m, R[5]);",
        "int32_t early = (int32_t)get32(m, R[5]); put32(m, R[4], 1); R[2] = early;",
    ),
    # for (i = 0; i < 4; i++) a0[i] = a1[i]; byte by byte, forwards
    "overlapping_copy": Rare(
        tuple(word for n in range(4) for word in (encode("lbu", t=T0, s=A1, i=n), encode("sb", t=T0, s=A0, i=n)))
        + RETURN,
        "uint32_t b = 0; for (int i = 0; i < 4; i++) { b = get8(m, R[5] + i); put8(m, R[4] + i, b); } R[8] = b;",
        "uint32_t b[4]; for (int i = 0; i < 4; i++) b[i] = get8(m, R[5] + i);"
        "for (int i = 0; i < 4; i++) put8(m, R[4] + i, b[i]); R[8] = b[3];",
    ),
    # return a0 == a1 ? 5 : *a0 + *a1;
    "equal_pointers": Rare(
        (
            encode("lw", t=T0, s=A0),
            encode("lw", t=T1, s=A1),
            encode("beq", s=A0, t=A1, i=3),
            encode("addu", d=V0, s=T0, t=T1),
            *RETURN,
            encode("jr", s=31),
            encode("addiu", t=V0, i=5),
        ),
        "R[2] = R[4] == R[5] ? 5 : (int32_t)(get32(m, R[4]) + get32(m, R[5]));",
        "R[2] = (int32_t)(get32(m, R[4]) + get32(m, R[5]));",
    ),
    # for (n = 0; n < 9; n++) if (*a0++ - '0' > 9) return n; return 99;
    "nine_digits": Rare(
        (
            encode("addu", d=V0),
            encode("lbu", t=T0, s=A0),
            encode("addiu", t=T0, s=T0, i=-0x30),
            encode("sltiu", t=T0, s=T0, i=10),
            encode("beq", s=T0, t=ZERO, i=6),
            encode("addiu", t=A0, s=A0, i=1),
            encode("addiu", t=V0, s=V0, i=1),
            encode("slti", t=T1, s=V0, i=9),
            encode("bne", s=T1, t=ZERO, i=-8),
            0,
            encode("addiu", t=V0, i=99),
            *RETURN,
        ),
        "int n = 0; while (n < 9 && get8(m, R[4] + n) - '0' <= 9u) n++; R[2] = n < 9 ? n : 99;",
        "int n = 0; while (n < 9 && get8(m, R[4] + n) - '0' <= 9u) n++; R[2] = n;",
    ),
    # return f12 + f12 == 101.0f ? 1 : 0;
    "one_float": Rare(
        (
            encode("add.s", fd=0, fs=12, ft=12),
            encode("lui", t=T0, i=0x42CA),
            encode("mtc1", t=T0, fs=2),
            encode("c.eq.s", fs=0, ft=2),
            0,
            encode("bc1f", i=3),
            encode("addu", d=V0),
            encode("jr", s=31),
            encode("addiu", t=V0, i=1),
            *RETURN,
        ),
        "g.f[2] = 0x42ca0000u; g.f[0] = twice(g.f[12]); R[2] = g.f[0] == 0x42ca0000u;",
        "g.f[2] = 0x42ca0000u; g.f[0] = twice(g.f[12]); R[2] = 0;",
    ),
}

HEADER = """
#include <stdint.h>
#include <string.h>
struct guest { int64_t r[32]; uint32_t f[32]; };
extern struct guest g;
#define R g.r
#define AT(a) ((uint32_t)(a) - 0x80000000u)
static inline uint32_t get8(uint8_t *m, int64_t a) { return m[AT(a)]; }
static inline void put8(uint8_t *m, int64_t a, uint32_t v) { m[AT(a)] = (uint8_t)v; }
static inline uint32_t get32(uint8_t *m, int64_t a)
{
    return get8(m, a) << 24 | get8(m, a + 1) << 16 | get8(m, a + 2) << 8 | get8(m, a + 3);
}
static inline void put32(uint8_t *m, int64_t a, uint32_t v)
{
    for (int i = 0; i < 4; i++) put8(m, a + i, v >> (24 - 8 * i));
}
void f_callee(uint8_t *m);
void f_first(uint8_t *m);
void f_second(uint8_t *m);
void dev_write32(uint32_t address, uint32_t value);
static inline uint32_t twice(uint32_t bits)
{
    float x;
    memcpy(&x, &bits, 4);
    x += x;
    memcpy(&bits, &x, 4);
    return bits;
}
"""

TALLY = """
[guest]
image = "guest.bin"
base = "0x80001000"
functions = "functions.txt"
[translated]
sources = ["all.c"]
include = ["."]
headers = ["guest.h"]
compilers = ["cc -O1"]
[translated.binding]
function = "f_{name}"
call = "{function}({memory})"
gpr = "g.r[{n}]"
fpr_word = "g.f[{n}]"
prototype = "void {function}(uint8_t *m)"
device_read = "uint32_t dev_read{bits}(uint32_t {address})"
device_write = "void dev_write{bits}(uint32_t {address}, uint32_t {value})"
[[external]]
name = "first"
address = "0x80000400"
arguments = ["a0"]
result = "none"
[[external]]
name = "second"
address = "0x80000410"
arguments = ["a0"]
result = "none"
[[window]]
name = "device"
address = "0xa4f00000"
size = 16
"""


def checked(folder: Path, *, wrong: bool) -> dict[str, FunctionResult]:
    """What a check with default settings says of all functions."""
    address, image, lines, bodies = BASE, b"", [], []
    for name, rare in RARE.items():
        image += b"".join(word.to_bytes(4, "big") for word in rare.words)
        lines.append(f"{address:08x} {4 * len(rare.words):x} {name}")
        address += 4 * len(rare.words)
        bodies.append(f"void f_{name}(uint8_t *m) {{ (void)m; {rare.wrong if wrong else rare.right} }}")
    (folder / "guest.bin").write_bytes(image.ljust(TABLE_AT - BASE, b"\0") + TABLE)
    (folder / "functions.txt").write_text("\n".join(lines) + "\n")
    (folder / "guest.h").write_text(HEADER)
    (folder / "all.c").write_text('#include "guest.h"\nstruct guest g;\n' + "\n".join(bodies) + "\n")
    (folder / "tally.toml").write_text(TALLY)
    return {result.name: result for result in check(folder / "tally.toml", Options(workers=1)).functions}


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> dict[str, FunctionResult]:
    return checked(tmp_path_factory.mktemp("wrong"), wrong=True)


@pytest.mark.parametrize("name", RARE)
def test_a_fault_that_shows_on_hardly_any_input_is_found(faulty: dict[str, FunctionResult], name: str) -> None:
    assert faulty[name].verdict is Verdict.DIFFER


def test_without_the_fault_all_agree_and_every_direction_was_gone(tmp_path: Path) -> None:
    results = checked(tmp_path, wrong=False)
    assert {name: result.verdict for name, result in results.items()} == dict.fromkeys(RARE, Verdict.AGREE)
    assert [name for name, result in results.items() if result.missed] == []
