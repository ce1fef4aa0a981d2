"""The printed report, pinned: each kind of report has a file under ``expected/`` that a reviewer reads first."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace

import pytest
from made_results import AGREES, ALL_KINDS, CRASH, EVENT, MEMORY, REGISTER, result

from harness.report.terminal import describe_place, make_console, print_check, print_replay, timing_lines
from harness.results import CheckResult, Finding, FunctionResult
from harness.verdicts import Verdict

Pinned = Callable[[str, str], None]


def printed(check: CheckResult) -> str:
    file = io.StringIO()
    print_check(make_console(file), check)
    return file.getvalue()


def test_every_kind_of_row_and_finding(pinned: Pinned) -> None:
    pinned("check-all-kinds.txt", printed(result(*ALL_KINDS)))


def test_a_check_that_agrees(pinned: Pinned) -> None:
    pinned("check-agree.txt", printed(result(AGREES)))


def test_a_check_that_compared_nothing(pinned: Pinned) -> None:
    pinned("check-nothing.txt", printed(result(ALL_KINDS[5])))


def test_an_interrupted_check(pinned: Pinned) -> None:
    pinned("check-interrupted.txt", printed(result(AGREES, interrupted=True)))


@pytest.mark.parametrize(
    ("name", "row", "saved"),
    [
        ("same", ALL_KINDS[1], REGISTER),
        ("other", ALL_KINDS[1], MEMORY),
        ("agree", AGREES, REGISTER),
        ("references", replace(ALL_KINDS[4], finding=REGISTER, reason="references disagree"), REGISTER),
        ("inconclusive", replace(AGREES, verdict=Verdict.INCONCLUSIVE, reason="guest trap:overflow"), REGISTER),
    ],
)
def test_a_replayed_case(pinned: Pinned, name: str, row: FunctionResult, saved: Finding) -> None:
    file = io.StringIO()
    print_replay(make_console(file), result(row), saved.difference)
    pinned(f"replay-{name}.txt", file.getvalue())


def test_the_share_of_each_phase(pinned: Pinned) -> None:
    pinned("timing.txt", "\n".join(timing_lines(result())) + "\n")


def test_what_is_no_terminal_gets_no_escape_codes() -> None:
    assert "\x1b" not in printed(result(*ALL_KINDS))


def test_no_line_ends_in_spaces() -> None:
    assert all(line == line.rstrip() for line in printed(result(*ALL_KINDS)).splitlines())


def test_every_leg_has_its_line_with_the_differing_digits_marked() -> None:
    text = printed(result(*ALL_KINDS))
    lines = text.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("differ: tide_height"))
    column = lines[at + 1].index("ffffffff80000000")
    assert [line[column:] for line in lines[at + 1 : at + 5]] == [
        "ffffffff80000000",
        "ffffffff80000000",
        "0000000080000000",
        "^^^^^^^^",
    ]


def test_success_is_never_called_correct_or_equivalent() -> None:
    text = printed(result(AGREES)).lower()
    assert "no difference in 198 states compared" in text
    assert not any(word in text for word in ("correct", "equivalent", "verified", "proved"))


@pytest.mark.parametrize(
    ("finding", "text"),
    [
        (REGISTER, "register v0 (2 more places)"),
        (MEMORY, "memory at ffffffff80400015"),
        (CRASH, "crash: host division by zero"),
        (EVENT, "event 8: port_send"),
    ],
)
def test_a_place_in_words(finding: Finding, text: str) -> None:
    assert describe_place(finding.difference) == text


def test_the_counts_of_the_summary_add_up() -> None:
    check = result(*ALL_KINDS)
    assert sum(check.count(verdict) for verdict in Verdict) == len(ALL_KINDS)
    assert "9 functions: 2 agree, 4 differ, 1 inconclusive, 1 not-run, 1 harness-error\n" in printed(check)


def test_functions_of_one_compiler_stand_in_one_table() -> None:
    rows = [replace(AGREES, compiler=compiler, name=name) for name in "ab" for compiler in ("gcc -O2", "clang -O1")]
    text = printed(result(*rows))
    assert text.count("o32-O1, gcc -O2\n") == text.count("o32-O1, clang -O1\n") == 1


def test_a_name_cannot_speak_to_the_terminal_and_a_long_one_pushes_only_its_own_row() -> None:
    rows = [replace(AGREES, name="esc\x1b[31mred\n"), replace(AGREES, name="n" * 180), AGREES]
    lines = printed(result(*rows)).splitlines()
    assert lines[2].startswith("esc\\x1b[31mred\\n  ")
    assert lines[3].startswith("n" * 180 + "  agree  ")
    assert lines[4].index("agree") == 42


def test_what_the_c_printed_stays_on_its_line() -> None:
    (function,) = [row for row in ALL_KINDS if row.finding is CRASH]
    difference = replace(CRASH.difference, values=(("reference", "returned"), ("gcc", "it printed: a\nb\x07")))
    text = printed(result(replace(function, finding=replace(CRASH, difference=difference))))
    assert text.count("a\\nb\\x07") == 3  # in the row, the head and the line of the leg
    assert "a\nb" not in text
