"""Whom a bisection names. What each spoilt function does is read off its C in ``day_project``."""

from __future__ import annotations

import json
from pathlib import Path

import day_project
import pytest
from click.testing import CliRunner

from harness.bisect.search import bisect
from harness.check import Options, check
from harness.cli import cli
from harness.culprits import BisectResult
from harness.errors import UsageError
from harness.replaying import replay
from harness.verdicts import DifferenceKind, Verdict

#: Shifts one place too far.
BAD_BELL = "R[2] = (int32_t)R[4] >> 2;"


def bisected(
    folder: Path, c: dict[str, str] | None = None, shared: str = "", static: str = "", entry: str = "day"
) -> BisectResult:
    (result,) = bisect(day_project.make(folder, c, shared, static), entry, Options(states=6))
    return result


def named(result: BisectResult) -> list[str]:
    return [culprit.name for culprit in result.culprits]


def test_a_right_translation_has_no_culprit(tmp_path: Path) -> None:
    result = bisected(tmp_path)
    assert (result.verdict, result.culprits, result.reason) == (Verdict.AGREE, (), "")
    assert set(result.functions) == {"tide", "bell", "show"}
    assert result.calls == 5 * result.states  # day, tide, bell, show, and tide by a tail call
    assert result.runs == result.states


def test_a_function_that_returns_the_wrong_value_is_named_and_cut_out(tmp_path: Path) -> None:
    result = bisected(tmp_path, {"bell": BAD_BELL})
    (culprit,) = result.culprits
    assert (culprit.name, culprit.moment, culprit.difference.where) == ("bell", "when it returns", "v0")
    assert culprit.call == 3  # day, tide, bell
    again = replay(Path(culprit.case)).now
    assert again is not None and again.where == "v0"


def test_a_caller_is_named_for_the_argument_that_it_spoils(tmp_path: Path) -> None:
    spoilt = day_project.RIGHT["day"].replace("R[4] = R[2]; f_bell(m)", "R[4] = R[2] + 1; f_bell(m)")
    (culprit,) = bisected(tmp_path, {"day": spoilt}).culprits
    assert (culprit.name, culprit.moment, culprit.difference.where) == ("day", "when it calls bell", "a0")


def test_a_call_that_is_left_out_is_put_on_the_caller(tmp_path: Path) -> None:
    (culprit,) = bisected(tmp_path, {"day": day_project.RIGHT["day"].replace("f_bell(m);", "")}).culprits
    assert (culprit.name, culprit.difference.kind) == ("day", DifferenceKind.EVENT)
    assert dict(culprit.difference.values) == {"reference": "bell is called", "cc -O1": "show is called"}


def test_several_independent_culprits_are_all_found_and_no_other(tmp_path: Path) -> None:
    show = day_project.RIGHT["show"].replace("put(m, R[5], R[4])", "put(m, R[5], R[4] ^ 0x100)")
    result = bisected(tmp_path, {"bell": BAD_BELL, "show": show, "tide": "R[2] = (int32_t)(R[4] + R[4] - 5);"})
    assert named(result) == ["tide", "bell", "show"]
    assert result.reason == ""


def test_a_store_to_the_wrong_place_is_put_on_the_function_that_stored(tmp_path: Path) -> None:
    show = day_project.RIGHT["show"].replace("put(m, R[5], R[4])", "put(m, R[5] + 4, R[4])")
    (culprit,) = bisected(tmp_path, {"show": show}).culprits
    assert (culprit.name, culprit.moment) == ("show", "when it calls tide")
    assert culprit.difference.kind is DifferenceKind.MEMORY


@pytest.mark.parametrize(
    ("body", "kind"),
    [("*(volatile int *)8 = 1;", DifferenceKind.CRASH), ('for (;;) __asm__ volatile("");', DifferenceKind.HANG)],
)
def test_a_crash_or_hang_is_named_and_what_is_wrong_behind_it_too(
    tmp_path: Path, body: str, kind: DifferenceKind
) -> None:
    result = bisected(tmp_path, {"tide": body, "bell": BAD_BELL})
    assert named(result) == ["tide", "bell"]
    assert result.culprits[0].difference.kind is kind


def test_two_functions_that_are_wrong_only_together_are_named_together(tmp_path: Path) -> None:
    """``tide`` leaves something in the C's own data, and ``bell`` goes wrong where it finds that."""
    c = {
        "tide": f"{day_project.RIGHT['tide']} left = 1;",
        "bell": f"{day_project.RIGHT['bell']} if (left) R[2] ^= 1;",
    }
    (culprit,) = bisected(tmp_path, c, shared="static int left;").culprits
    assert (culprit.name, culprit.partners, culprit.case) == ("bell", ("tide",), "")


def test_a_function_that_changes_the_rounding_mode_of_the_host_is_to_blame_for_that(tmp_path: Path) -> None:
    (culprit,) = bisected(tmp_path, {"bell": f"{day_project.RIGHT['bell']} fesetround(FE_UPWARD);"}).culprits
    assert (culprit.name, culprit.lasting) == ("bell", True)


def test_a_callee_is_not_to_blame_for_the_rounding_mode_that_its_caller_left(tmp_path: Path) -> None:
    """``tide`` computes something else in another rounding mode, as any floating-point code does."""
    c = {
        "show": f"fesetround(FE_UPWARD); {day_project.RIGHT['show']} fesetround(FE_TONEAREST);",
        "tide": f"{day_project.RIGHT['tide']} if (fegetround() != FE_TONEAREST) R[2] ^= 1;",
    }
    assert named(bisected(tmp_path, c)) == ["show"]


def test_what_does_not_repeat_is_said_and_ends_the_search(tmp_path: Path) -> None:
    """The environment outlives a run, which the C's own data does not: every other run goes wrong."""
    odd = """static int ran; const char *was = getenv("ODD"); int is = was && *was == '1';
        if (!ran) setenv("ODD", is ? "0" : "1", 1); ran = 1; if (is) R[2] ^= 1;"""
    result = bisected(tmp_path, {"bell": f"{day_project.RIGHT['bell']} {odd}"})
    assert result.verdict is Verdict.DIFFER
    assert not result.culprits[-1].repeats
    assert "another run of the same goes otherwise" in result.reason


def test_a_wrong_value_that_nobody_reads_is_no_fault(tmp_path: Path) -> None:
    """t0 is written before it is read by all that follows, and a caller may not rely on it."""
    assert bisected(tmp_path, {"tide": f"{day_project.RIGHT['tide']} R[8] = 77;"}).verdict is Verdict.AGREE


def test_a_function_that_the_c_lacks_is_run_by_the_reference(tmp_path: Path) -> None:
    spoilt = day_project.RIGHT["show"].replace("R[4] + 1", "R[4] + 2")
    result = bisected(tmp_path, {"bell": "", "show": spoilt})
    assert result.lacking == ("bell",)
    assert named(result) == ["show"]


def test_a_static_function_is_found_too(tmp_path: Path) -> None:
    result = bisected(tmp_path, {"bell": BAD_BELL}, static="bell")
    assert (named(result), result.unseen) == (["bell"], ())


def test_a_function_that_a_header_declares_static_is_counted_with_its_caller(tmp_path: Path) -> None:
    (result,) = bisect(day_project.make(tmp_path, {"bell": BAD_BELL}, "", "bell", True), "day", Options(states=6))
    assert (named(result), result.unseen) == (["day"], ("bell",))


def test_a_command_that_hides_all_functions_does_not_hide_them_from_a_bisection(tmp_path: Path) -> None:
    tally = day_project.make(tmp_path, {"bell": BAD_BELL})
    tally.write_text(tally.read_text().replace('compilers = ["cc -O1', 'compilers = ["cc -fvisibility=hidden -O1'))
    (result,) = bisect(tally, "day", Options(states=6))
    assert "hidden" in result.compiler
    assert (named(result), result.unseen) == (["bell"], ())


def test_a_function_that_is_declared_hidden_is_counted_with_its_caller(tmp_path: Path) -> None:
    hidden = '__attribute__((visibility("hidden"))) void f_bell(uint8_t *m);'
    result = bisected(tmp_path, {"bell": BAD_BELL}, shared=hidden)
    assert (named(result), result.unseen) == (["day"], ("bell",))


def test_the_entry_itself_can_be_the_only_function(tmp_path: Path) -> None:
    assert named(bisected(tmp_path, {"bell": BAD_BELL}, entry="bell")) == ["bell"]


def test_an_entry_that_never_ends_in_the_reference_is_inconclusive(tmp_path: Path) -> None:
    tally = day_project.make(tmp_path)
    tally.write_text(tally.read_text().replace("fuel = 2000", "fuel = 5"))
    (result,) = bisect(tally, "day", Options(states=3))
    assert (result.verdict, result.culprits) == (Verdict.INCONCLUSIVE, ())
    assert result.reason == "no state came to its end in the reference with nothing open"


def test_the_command_prints_the_culprit_and_ends_with_1(tmp_path: Path) -> None:
    tally = day_project.make(tmp_path, {"bell": BAD_BELL})
    ran = CliRunner().invoke(
        cli, ["bisect", str(tally), "day", "--json", str(tmp_path / "b.json")], standalone_mode=False
    )
    assert ran.return_value == 1
    assert "culprit 1: bell at ffffffff8000100c: when it returns: register v0" in ran.output
    assert "differ: day under cc -O1: 1 culprit: bell" in ran.output
    (result,) = json.loads((tmp_path / "b.json").read_text())["results"]
    assert [one["name"] for one in result["culprits"]] == ["bell"]


def test_a_saved_case_of_the_entry_is_tried_first_and_alone(tmp_path: Path) -> None:
    tally = day_project.make(tmp_path, {"bell": BAD_BELL})
    found = check(tally, Options(pattern="day", states=20)).functions[0].finding
    assert found is not None
    (result,) = bisect(tally, "day", Options(), Path(found.case))
    assert (result.states, named(result)) == (1, ["bell"])
    with pytest.raises(UsageError, match="is a case of another function: got day, expected bell"):
        bisect(tally, "bell", Options(), Path(found.case))
