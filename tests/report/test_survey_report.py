"""The printed survey, pinned, and its JSON form."""

from __future__ import annotations

import io
from collections.abc import Callable

from harness.report.survey import print_survey, survey_document
from harness.report.terminal import make_console
from harness.results import SurveyedBuild, SurveyedFunction

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
            "berth_insert", 0xFFFF_FFFF_8000_1000, 136, "", ("berth_free",), 1, "a0 -> {+0x0 u32}\na2 function"
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
