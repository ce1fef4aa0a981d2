"""Whole checks of a program with segments: each function is checked with its own in memory."""

from __future__ import annotations

from pathlib import Path

from harness.check import Options, check
from harness.program.assembly import encode
from harness.verdicts import Verdict

RETURN = (encode("jr", s=31), 0)
#: Three runs of code, two of them at one address; what they put into v0 tells them apart. ``jump`` calls the address
#: of the other two through a register.
RESIDENT = {
    "add": (encode("addu", d=2, s=4, t=5), *RETURN),
    "jump": (encode("lui", t=8, imm=0x8020 - 0x1_0000), encode("jr", s=8), 0),
}
HARBOUR = {"show": (encode("addiu", t=2, s=4, imm=1), *RETURN)}
CHART = {"show": (encode("addiu", t=2, s=4, imm=2), *RETURN), "hide": (encode("addiu", t=2, s=4, imm=3), *RETURN)}

RIGHT = {
    "f_add": "R[2] = (int32_t)(R[4] + R[5]);",
    "f_jump": "R[8] = (int32_t)0x80200000; f_by_address(0x80200000u);",
    "f_harbour_show": "R[2] = (int32_t)(R[4] + 1);",
    "f_chart_show": "R[2] = (int32_t)(R[4] + 2);",
    "f_chart_hide": "R[2] = (int32_t)(R[4] + 3);",
}

_TALLY = """
[guest]
image = "resident.bin"
base = "0x80001000"
functions = "resident.txt"
abi = "o32"
[translated]
sources = ["all.c"]
compilers = ["cc -O1"]
[translated.binding]
function = "f_{segment}{name}"
declare = "#include <stdint.h>\\nextern int64_t R[32];"
call = "{function}()"
prototype = "void {function}(void)"
gpr = "R[{n}]"
[check]
states = 16
fuel = 1000
[[segment]]
name = "harbour"
image = "harbour.bin"
base = "0x80200000"
functions = "harbour.txt"
[[segment]]
name = "chart"
image = "chart.bin"
base = "0x80200000"
functions = "chart.txt"
"""


def make(folder: Path, c: dict[str, str]) -> Path:
    for name, base, part in (
        ("resident", 0x8000_1000, RESIDENT),
        ("harbour", 0x8020_0000, HARBOUR),
        ("chart", 0x8020_0000, CHART),
    ):
        image, lines = b"", []
        for function, words in part.items():
            lines.append(f"{base + len(image):x} {4 * len(words):x} {function}")
            image += b"".join(word.to_bytes(4, "big") for word in words)
        (folder / f"{name}.bin").write_bytes(image)
        (folder / f"{name}.txt").write_text("\n".join(lines) + "\n")
    bodies = "".join(f"void {name}(void) {{ {body} }}\n" for name, body in c.items())
    head = "#include <stdint.h>\nint64_t R[32];\nvoid f_by_address(uint32_t a) { (void)a; __builtin_trap(); }\n"
    (folder / "all.c").write_text(head + bodies)
    (folder / "tally.toml").write_text(_TALLY)
    return folder / "tally.toml"


def rows(tally: Path) -> dict[tuple[str, str], tuple[Verdict, str]]:
    result = check(tally, Options(workers=1))
    return {(row.build, row.name): (row.verdict, row.reason) for row in result.functions}


def test_each_function_is_checked_once_with_its_segment_in_memory(tmp_path: Path) -> None:
    found = rows(make(tmp_path, RIGHT))
    assert found.pop(("", "jump"))[0] is Verdict.INCONCLUSIVE  # nothing is there to jump to
    assert found == dict.fromkeys(
        [("", "add"), ("harbour", "show"), ("chart", "show"), ("chart", "hide")], (Verdict.AGREE, "")
    )


def test_what_is_wrong_in_one_segment_is_found_there(tmp_path: Path) -> None:
    found = rows(make(tmp_path, RIGHT | {"f_chart_show": RIGHT["f_harbour_show"]}))
    assert {key for key, (verdict, _) in found.items() if verdict is Verdict.DIFFER} == {("chart", "show")}


def test_a_name_that_two_segments_share_stands_for_neither(tmp_path: Path) -> None:
    tally = make(tmp_path, {name.replace("harbour_", "").replace("chart_", ""): body for name, body in RIGHT.items()})
    tally.write_text(tally.read_text().replace("{segment}", ""))
    found = rows(tally)
    shared = (Verdict.NOT_RUN, "several functions have this name in the C")
    assert found["harbour", "show"] == found["chart", "show"] == shared
    assert found["chart", "hide"] == (Verdict.AGREE, "")
