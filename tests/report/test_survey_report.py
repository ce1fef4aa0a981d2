"""The printed survey, pinned, and its JSON form."""

from __future__ import annotations

import io
from collections.abc import Callable

from made_results import function

from harness.report.survey import print_survey, survey_document
from harness.report.terminal import make_console
from harness.results import Missed, ShapeNode, SurveyedBuild, SurveyedFunction
from harness.verdicts import Miss, Verdict

BUILD = SurveyedBuild(
    name="o32-O1",
    image="bin/tideclock.elf",
    abi="o32",
    fr=False,
    gp=0xFFFF_FFFF_8001_2000,
    regions=(
        (0xFFFF_FFFF_8000_1000, 0x8000, False, ".text"),
        (0xFFFF_FFFF_8000_A000, 0x2000, True, ".data .bss"),
    ),
    functions=(
        SurveyedFunction(
            "berth_insert",
            0xFFFF_FFFF_8000_1000,
            136,
            "",
            ("berth_free",),
            1,
            "a0 ->? {+0x0 u32, +0x4 u32, +0x8 ->? {+0x0 u32}}\na2 function",
            (
                ShapeNode(
                    "a0",
                    "pointer or null to 12 bytes",
                    fields=(
                        ShapeNode("+0x0", "signed integer of 32 bits", 2),
                        ShapeNode("+0x8", "pointer or null to another of these objects"),
                    ),
                ),
                ShapeNode("a2", "function, one of 3"),
            ),
            ("access to ffffffffa4000000, which no input leads to",),
            function("berth_insert", 0, Verdict.AGREE, missed=(Missed(0xFFFF_FFFF_8000_1010, False, Miss.UNSOLVED),)),
            ".tallystick/shapes/o32-O1-berth_insert.json",
        ),
        SurveyedFunction("panic", 0xFFFF_FFFF_8000_1088, 8, "translated function missing from the C", (), 0),
    ),
    externals=("host_draw",),
)


def test_a_survey(pinned: Callable[[str, str], None]) -> None:
    file = io.StringIO()
    print_survey(make_console(file), [BUILD])
    pinned("survey.txt", file.getvalue())


def test_the_json_form_has_every_function_with_its_address() -> None:
    document = survey_document([BUILD])
    assert document["schema"] == "tallystick.survey/1"
    (build,) = document["builds"]
    assert [(f["name"], f["address"]) for f in build["functions"]] == [
        ("berth_insert", "ffffffff80001000"),
        ("panic", "ffffffff80001088"),
    ]
    assert build["externals"] == ["host_draw"]


def test_the_json_form_has_the_tree_of_a_function_that_was_looked_at_alone() -> None:
    first, second = survey_document([BUILD])["builds"][0]["functions"]
    assert first["inputs"][0]["fields"][1]["what"] == "pointer or null to another of these objects"
    assert first["reach"]["branches_missed"][0]["why"] == "solver failed"
    assert "inputs" not in second
