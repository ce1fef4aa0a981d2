"""What an explanation prints, pinned, and that Markdown and JSON carry the same."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from made_results import MEMORY, REGISTER

from harness.explain.model import (
    Cause,
    Causes,
    Culprit,
    Executed,
    Explanation,
    Line,
    Method,
    Source,
    Surety,
    Value,
    Word,
)
from harness.report.explain import (
    causes_document,
    explanation_document,
    print_causes,
    print_explanation,
    write_markdown,
)
from harness.report.terminal import make_console

Pinned = Callable[[str, str], None]

SHIFT = Culprit(
    address=0xFFFF_FFFF_8000_1034,
    text="sra v0,a0,0x4",
    opcode="sra",
    form="d,t,a",
    function="tide_height",
    manual="Shifts a word right, its sign shifted in.",
    operands=(Value("a0", "0000000080000000"),),
    results=(Value("v0", "fffffffff8000000", "0000000008000000"),),
    kind="sign extension lost",
    like="like srl",
    source=Source(
        "out/tide.c",
        41,
        (Line(40, "x4 = x5;"), Line(41, "x2 = (uint32_t)x4 >> 4;", marked=True), Line(42, "return;")),
    ),
    states=6,
    of=6,
    surety=Surety.CERTAIN,
)

CERTAIN = Explanation(
    case="cases/tide_height-0123456789ab.json",
    function="tide_height",
    address=0xFFFF_FFFF_8000_1000,
    build="o32-O1",
    compiler="gcc -O2",
    verdict="differ",
    difference=REGISTER.difference,
    method=Method.LOCKSTEP,
    how="lockstep at 14 ties over 6 failing states, calibrated on 3 that pass: certain",
    culprits=(SHIFT,),
    slice=(
        Executed(0xFFFF_FFFF_8000_1030, "lw a0,0(a1)", "a0 = ffffffff80000000"),
        Executed(0xFFFF_FFFF_8000_1034, "sra v0,a0,0x4", "v0 = fffffffff8000000", culprit=True),
    ),
    inputs=REGISTER.inputs,
    registers=(Value("a0", "0000000080000000", "input"), Value("a1", "ffffffff80400010")),
    memory=(
        Word(0xFFFF_FFFF_8040_0010, "00000003", "a1 points here, input, read"),
        Word(0xFFFF_FFFF_8040_0014, "00000000", "written"),
        Word(0xFFFF_FFFF_8040_0040, "00000000", "read"),
    ),
)

#: One fault that shows in three places, and another one.
SEVERAL = replace(
    CERTAIN,
    culprits=(
        SHIFT,
        replace(SHIFT, address=SHIFT.address + 4, text="sra v1,a1,0x4", states=2),
        replace(SHIFT, address=SHIFT.address + 8, text="sra a2,a0,0x2", states=1, kind="", source=None),
        replace(SHIFT, address=SHIFT.address + 12, text="addu v0,v0,a0", opcode="addu", form="d,s,t"),
    ),
)

GUESS = replace(
    CERTAIN,
    difference=MEMORY.difference,
    method=Method.DICE,
    how="dice, 4 failing and 2 passing states: guess, first of 12 by what came to wrong places",
    culprits=(
        replace(SHIFT, surety=Surety.GUESS, states=0, of=0, kind="", like="", results=(), source=None),
        replace(SHIFT, surety=Surety.GUESS, states=0, of=0, kind="", like="", results=(), source=None, function="low"),
    ),
    notes=("no tie between the C and guest addresses was found",),
)

CAUSES = Causes(
    causes=(
        Cause(
            "lh", (("t,i(s)", 40),), (("bytes mirrored", 38), ("bytes mirrored; like lb", 2)), (("certain", 40),),
            tuple(f"f{n}" for n in range(40)), "cases/f17.json",
        ),
        Cause("decided after its delay slot", (("s,t,p", 1),), (), (("likely", 1),), ("key_up",), "cases/key_up.json"),
    ),
    unexplained=(("tick", "the worker process died"),),
    looked=42,
    left=3,
)


def printed(explanation: Explanation) -> str:
    file = io.StringIO()
    print_explanation(make_console(file), explanation)
    return file.getvalue()


def test_a_culprit_that_is_certain(pinned: Pinned) -> None:
    pinned("explain-certain.txt", printed(CERTAIN))


def test_culprits_of_one_opcode_are_told_together(pinned: Pinned) -> None:
    pinned("explain-several.txt", printed(SEVERAL))


def test_a_guess_never_looks_like_a_fact(pinned: Pinned) -> None:
    text = printed(GUESS)
    pinned("explain-guess.txt", text)
    assert "culprit" not in text
    assert "certain" not in text


def test_the_causes_of_a_check(pinned: Pinned) -> None:
    file = io.StringIO()
    print_causes(make_console(file), CAUSES)
    pinned("causes.txt", file.getvalue())


def test_markdown_holds_every_line_that_is_printed(tmp_path: Path) -> None:
    write_markdown(CERTAIN, tmp_path / "case.md")
    lines = (tmp_path / "case.md").read_text().splitlines()
    assert {line.strip() for line in printed(CERTAIN).splitlines()} <= {line.lstrip("# ") for line in lines}


def test_json_writes_addresses_as_16_digits_and_all_the_rest() -> None:
    document = json.loads(json.dumps(explanation_document(CERTAIN)))
    assert document["schema"] == "tallystick.explain/1"
    assert document["address"] == "ffffffff80001000"
    (culprit,) = document["culprits"]
    assert (culprit["address"], culprit["surety"], culprit["like"]) == ("ffffffff80001034", "certain", "like srl")
    assert culprit["source"]["line"] == 41
    assert document["slice"][1]["culprit"] is True


def test_json_of_causes_counts_by_name() -> None:
    first = causes_document(CAUSES)[0]
    assert first["what"] == "lh"
    assert first["kinds"] == {"bytes mirrored": 38, "bytes mirrored; like lb": 2}
    assert len(first["functions"]) == 40
