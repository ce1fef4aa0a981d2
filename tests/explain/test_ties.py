"""What is taken for a tie, and what is not: written by hand, each with the address that it should give."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.explain.ties import Tie, ties_of
from harness.translated.c_source import CFile

#: The guest function at hand: eight instructions.
INSIDE = range(0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8000_1020, 4)


def ties(folder: Path, body: str) -> list[Tie]:
    path = folder / "all.c"
    text = f"void f(struct guest *g, uint8_t *m)\n{{\n{body}\n}}\n".encode()
    file = CFile(path, text)
    (function,) = file.functions
    return ties_of(function, file.parts(function), INSIDE.__contains__)


def addresses(found: list[Tie]) -> list[int]:
    return [tie.address & 0xFFFF for tie in found]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("    x = 1; /* 80001004 */", [0x1004]),
        ("    x = 1; // 0x80001004: addiu", [0x1004]),
        ("    /* 80001004 addiu v0,v0,1 */\n    x = 1;", [0x1004]),
        ("    // beq to 80001010\n    // 80001004\n    x = 1; /* 8000100c */", [0x100C]),
        ("L_80001008:\n    x = 1;", [0x1008]),
        ("block_80001008: { int y = g->r; y = x + 1; x = 2; }", [0x1008]),
        ("    switch (pc) {\n    case 0x80001008u: x = 1; y = 2; break;\n    case 0x8000100cu: z; }", [0x1008, 0x100C]),
        ("    x = 1; y = 2; /* 80001004 */", [0x1004]),
        ("    if (y) { x = 1; /* 80001008 */ }", [0x1008]),
    ],
    ids=lambda value: str(value)[:40].strip(),
)
def test_an_address_in_a_comment_label_or_case_ties_what_stands_there(
    tmp_path: Path, body: str, expected: list[int]
) -> None:
    assert addresses(ties(tmp_path, body)) == expected


@pytest.mark.parametrize(
    "body",
    [
        "    pc = 0x80001004u;",  # a constant of the code
        "    x = 1; /* 80002000 */",  # no address of the function
        "    x = 1; /* 80001002 */",  # not aligned
        "    x = 1; /* id 180001004 */",  # digits of something else
        '    log("80001004");',
    ],
)
def test_what_is_no_address_of_an_instruction_here_ties_nothing(tmp_path: Path, body: str) -> None:
    assert ties(tmp_path, body) == []


def test_a_directive_ties_the_one_line_behind_it_to_the_address_in_its_listing(tmp_path: Path) -> None:
    (tmp_path / "guest.lst").write_text("f:\n80001000  24420001  addiu v0,v0,1\n80001004  03e00008  jr ra\n")
    body = '#line 2 "guest.lst"\n    x = 1;\n    y = 2;\n#line 3 "guest.lst"\n    return;'
    found = ties(tmp_path, body)
    assert addresses(found) == [0x1000, 0x1004]
    assert [tie.row for tie in found] == [3, 6]


def test_a_listing_that_is_not_there_ties_nothing(tmp_path: Path) -> None:
    assert ties(tmp_path, '#line 2 "gone.lst"\n    x = 1;') == []


def test_variables_are_visible_behind_their_declarations_and_inside_their_blocks(tmp_path: Path) -> None:
    body = (
        "    uint32_t pc = 0;\n    {\n        uint64_t a0 = g->r[4], *p;\n        a0 = 1; /* 80001000 */\n    }\n"
        "    x = 2; /* 80001004 */\n    uint64_t late = 1;"
    )
    assert [tie.variables for tie in ties(tmp_path, body)] == [("pc", "a0"), ("pc",)]


def test_a_block_that_is_a_c_function_of_its_own_is_tied_by_its_name(tmp_path: Path) -> None:
    text = (
        "static int block_80001010(int back)\n{\n    x = 1;\n    return 0;\n}\n"
        "static int (*const table[])(int) = {block_80001010};\nvoid at_80001000(void)\n{\n    table[0](1);\n}\n"
    )
    file = CFile(tmp_path / "all.c", text.encode())
    own = next(one for one in file.functions if one.name == "at_80001000")
    assert addresses(ties_of(own, file.parts(own), INSIDE.__contains__)) == [0x1010]
