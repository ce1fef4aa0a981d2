"""A program of four functions that call each other in every way, and its C by hand, to be spoilt.

``day(a0, a1)`` calls ``tide`` and ``bell``, then ``show``, which stores what it is given where a1 points and goes on to
``tide`` by a tail call.
"""

from __future__ import annotations

from pathlib import Path

import outside_project
from outside_project import A0, A1, BASE, ENTER, LEAVE, NOP, RA, S0, V0, jal, move

from harness.program.assembly import encode

TIDE = (encode("addu", d=V0, s=A0, t=A0), encode("jr", s=RA), encode("addiu", t=V0, s=V0, imm=5))
BELL = (encode("sra", d=V0, t=A0, a=1), encode("jr", s=RA), NOP)
TIDE_AT = BASE
BELL_AT = TIDE_AT + 4 * len(TIDE)
SHOW_AT = BELL_AT + 4 * len(BELL)
SHOW = (encode("sw", t=A0, s=A1, imm=0), 0x0800_0000 | TIDE_AT >> 2 & 0x03FF_FFFF, encode("addiu", t=A0, s=A0, imm=1))
DAY = (
    *ENTER,
    jal(TIDE_AT),
    move(S0, A1),
    jal(BELL_AT),
    move(A0, V0),
    move(A0, V0),
    jal(SHOW_AT),
    move(A1, S0),
    *LEAVE,
)
GUEST = {"tide": TIDE, "bell": BELL, "show": SHOW, "day": DAY}

#: What the C does, where R is the registers and m the memory.
RIGHT = {
    "tide": "R[2] = (int32_t)(R[4] + R[4] + 5);",
    "bell": "R[2] = (int32_t)R[4] >> 1;",
    "show": "put(m, R[5], R[4]); R[4] = (int32_t)(R[4] + 1); f_tide(m);",
    "day": "ENTER(); R[16] = R[5]; f_tide(m); R[4] = R[2]; f_bell(m); R[4] = R[2]; R[5] = R[16]; f_show(m); LEAVE();",
}


def make(
    folder: Path, c: dict[str, str] | None = None, shared: str = "", static: str = "", in_header: bool = False
) -> Path:
    """Writes the project into ``folder`` and gives its tally.toml.

    ``c`` replaces bodies, an empty one leaves a function out; ``shared`` stands before all functions. The function
    ``static`` is that, and declared so in the C file or ``in_header``.
    """
    address, image, lines = BASE, b"", []
    for name, words in GUEST.items():
        image += b"".join(word.to_bytes(4, "big") for word in words)
        lines.append(f"{address:08x} {4 * len(words):x} {name}")
        address += 4 * len(words)
    (folder / "guest.bin").write_bytes(image)
    (folder / "functions.txt").write_text("\n".join(lines) + "\n")
    (folder / "c").mkdir()
    declared = "".join(f"{'static ' * (name == static)}void f_{name}(uint8_t *m);\n" for name in RIGHT)
    (folder / "c" / "guest.h").write_text(outside_project.HEADER + declared * (not static or in_header))
    shared += declared
    text = f'#include "guest.h"\n#include <fenv.h>\n#include <stdlib.h>\nint64_t R[32];\n{shared}\n'
    for name, body in {**RIGHT, **(c or {})}.items():
        text += f"{'static ' * (name == static)}void f_{name}(uint8_t *m) {{ (void)m; {body} }}\n" if body else ""
    (folder / "c" / "all.c").write_text(text)
    tally = folder / "tally.toml"
    tally.write_text(outside_project.TALLY)
    return tally
