"""The score of a check on tiny projects: fates that the C itself decides, lines, soundness, and what is left alone."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

from harness.check import Options
from harness.cli import run
from harness.evidence import Fate, FunctionScore, MutantScore, Score, score_status
from harness.opcodes.score import score
from harness.report.score import print_score, score_document
from harness.report.terminal import make_console

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))  # a module beside other tests

from tiny_project import RIGHT, make

#: A right translation of ``add``. No state can have this very number in a register by chance.
GUARDED = """
    if (g.r[4] == 0x123456789abcdefll)
        g.r[5] = 77;
    g.r[2] = (int32_t)(g.r[4] + g.r[5]) + 0 * 5;
"""
#: The lines of it in all.c, which begins with a line for the header, one for the registers, one for the function.
GUARD, BEHIND, ADDITION = 4, 5, 6
ALL = 1000


def scored(tally: Path, pattern: str = "add", mutants: int = ALL, **options: int) -> FunctionScore:
    (one,) = score(tally, Options(pattern, **options), mutants).functions
    return one


def by_text(one: FunctionScore) -> dict[str, MutantScore]:
    return {mutant.after: mutant for mutant in one.mutants}


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> FunctionScore:
    return scored(make(tmp_path_factory.mktemp("guarded"), {"add": GUARDED}))


def test_a_wrong_operation_and_a_wrong_width_are_noticed(guarded: FunctionScore) -> None:
    found = by_text(guarded)
    for wrong in ("g.r[4] - g.r[5]) + 0 * 5", "g.r[3] + g.r[5]) + 0 * 5", "g.r[4] + g.r[5]) + 0 + 5"):
        mutant = found[f"g.r[2] = (int32_t)({wrong};"]
        assert (mutant.fate, mutant.line, mutant.difference) == (Fate.NOTICED, ADDITION, "register")
        assert 1 <= mutant.states <= guarded.states
    assert found["g.r[2] = (uint32_t)(g.r[4] + g.r[5]) + 0 * 5;"].fate is Fate.NOTICED


def test_a_change_that_compiles_to_the_same_code_is_equivalent(guarded: FunctionScore) -> None:
    found = by_text(guarded)
    for same in ("(g.r[4] + g.r[5]) - 0 * 5;", "(g.r[4] + g.r[5]) + 0 * 6;"):
        assert found[f"g.r[2] = (int32_t){same}"].fate is Fate.EQUIVALENT


def test_what_no_state_comes_to_survives_at_its_line(guarded: FunctionScore) -> None:
    behind = [mutant for mutant in guarded.mutants if mutant.line == BEHIND]
    assert len(behind) > 5
    assert {mutant.fate for mutant in behind} == {Fate.SURVIVED}
    assert {mutant.reached for mutant in behind if mutant.fate is Fate.SURVIVED} == {False}
    assert by_text(guarded)["g.r[5] = 78;"].before == "g.r[5] = 77;"
    assert by_text(guarded)["g.r[5] = 78;"].file.endswith("all.c")


def test_what_states_come_to_and_cannot_tell_survives_as_reached(guarded: FunctionScore) -> None:
    guard = by_text(guarded)["if (g.r[4] == 0x123456789abcdeell)"]
    assert (guard.fate, guard.line, guard.reached) == (Fate.SURVIVED, GUARD, True)
    assert by_text(guarded)["if (g.r[4] != 0x123456789abcdefll)"].fate is Fate.NOTICED


def test_a_state_that_does_not_count_reaches_nothing(tmp_path: Path) -> None:
    body = """
    if ((int32_t)g.r[5] == 0)  /* left open by the manual: R4300 manual, DIV */
        { g.r[2] = 0; return; }
    """
    tally = make(tmp_path, {"divide": body + RIGHT["divide"]})
    one = scored(tally, "divide", mutants=40)
    behind = [mutant for mutant in one.mutants if mutant.line == 7]
    assert behind
    assert {mutant.reached for mutant in behind if mutant.fate is Fate.SURVIVED} == {False}


def test_every_mutant_has_a_fate_and_only_two_of_them_count(guarded: FunctionScore) -> None:
    assert len(guarded.mutants) == sum(guarded.count(fate) for fate in Fate)
    assert guarded.counted == guarded.count(Fate.NOTICED) + guarded.count(Fate.SURVIVED) < len(guarded.mutants)


def test_the_same_seed_gives_the_same_score_for_any_number_of_workers(tmp_path: Path) -> None:
    tally = make(tmp_path, {"add": GUARDED})
    one = scored(tally, mutants=13, workers=1)  # more than are checked together
    assert one == scored(tally, mutants=13, workers=2)
    assert len(one.mutants) == 13
    other = scored(tally, mutants=5, seed=1)
    assert not {mutant.after for mutant in other.mutants} <= {mutant.after for mutant in one.mutants}


def test_a_mutant_that_never_returns_is_noticed_as_a_hang(tmp_path: Path) -> None:
    body = "volatile uint32_t n = 1; while (n) n = n - 1; g.r[2] = (int32_t)(g.r[4] + g.r[5]);"
    endless = by_text(scored(make(tmp_path, {"add": body}), mutants=9))
    (mutant,) = [mutant for after, mutant in endless.items() if "n = n + 1" in after]
    assert (mutant.fate, mutant.difference) == (Fate.NOTICED, "hang")


def test_a_mutant_that_is_no_c_is_counted_and_a_warning_refuses_none(tmp_path: Path) -> None:
    body = """uint8_t *p = m + 4;
        int64_t n = m + (p - m) - m;
        g.r[2] = (int32_t)(g.r[4] + g.r[5] + n - 4);"""
    found = by_text(scored(make(tmp_path, {"add": body}, compilers='["cc -O1 -Wall -Werror"]'), mutants=25))
    # Two pointers are not added (C11, 6.5.6).
    assert found["int64_t n = m + (p + m) - m;"].fate is Fate.NOT_COMPILED
    assert found["; }"].fate is Fate.NOTICED  # and n is without use


def test_gnu_extensions_are_no_hindrance(tmp_path: Path) -> None:
    body = """int64_t sum = ({ int64_t a = g.r[4]; a + g.r[5]; });
        switch (sum) { case 1 ... 9: __attribute__((fallthrough)); default: goto *&&out; }
    out:
        g.r[2] = (int32_t)sum;"""
    found = by_text(scored(make(tmp_path, {"add": body}), mutants=9))
    (mutant,) = [mutant for after, mutant in found.items() if "a - g.r[5]" in after]
    assert mutant.fate is Fate.NOTICED


def test_variables_that_a_file_keeps_to_itself_are_not_doubled(tmp_path: Path) -> None:
    tally = make(tmp_path, {"add": "keep(g.r[4]); g.r[2] = (int32_t)(kept + g.r[5]);"})
    source = tmp_path / "c/all.c"
    include, rest = source.read_text().split("\n", 1)
    source.write_text(f"{include}\nstatic int64_t kept;\nvoid keep(int64_t value) {{ kept = value; }}\n{rest}")
    one = scored(tally, mutants=6)
    assert one.unscored == ""  # the unchanged function, made in the same way, agreed
    assert one.count(Fate.NOTICED) > 3


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ("g.r[2] = g.r[4];", "differs as it is, in v0: mend that first"),
        ("", "translated function missing from the C"),
        ("(void)g;", "differs as it is"),
    ],
)
def test_a_function_that_cannot_be_scored_says_why(tmp_path: Path, body: str, reason: str) -> None:
    one = scored(make(tmp_path, {"add": body}), mutants=2)
    assert one.unscored.startswith(reason)
    assert one.mutants == ()


def test_text_that_is_not_what_runs_is_found_out(tmp_path: Path) -> None:
    tally = make(tmp_path, {"add": None})
    with (tmp_path / "c/all.c").open("a") as source:
        source.write("#if 0\nvoid f_add(uint8_t *m) { g.r[2] = (int32_t)(g.r[4] + g.r[5]); }\n#endif\n")
        source.write("#define ADD(name) void f_##name(uint8_t *m) { (void)m; g.r[2] = (int32_t)(g.r[4] + g.r[5]); }\n")
        source.write("ADD(add)\n")
    assert scored(tally, mutants=2).unscored == "calls of it do not come to f_add in all.c"


def test_a_function_that_a_macro_defines_says_so(tmp_path: Path) -> None:
    tally = make(tmp_path, {"add": None})
    with (tmp_path / "c/all.c").open("a") as source:
        source.write("#define ADD(name) void f_##name(uint8_t *m) { (void)m; g.r[2] = (int32_t)(g.r[4] + g.r[5]); }\n")
        source.write("ADD(add)\n")
    assert scored(tally).unscored == "no definition of f_add is seen in the sources: is it made by a macro?"


def test_nothing_of_the_user_is_changed_and_nothing_is_kept(tmp_path: Path) -> None:
    tally = make(tmp_path, {"add": GUARDED})
    scored(tally, mutants=1)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    assert scored(tally, mutants=12).count(Fate.NOTICED)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_the_command_says_what_survived_where(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tally, said = make(tmp_path, {"add": GUARDED}), tmp_path / "score.json"
    status = run(["opcodes", "score", str(tally), "-k", "add", "--mutants", "12", "--json", str(said)])
    printed = capsys.readouterr().out
    assert status == 0
    assert f"all.c:{BEHIND}: constant, no state that counts comes here\n     g.r[5] = 77;\n  -> g.r[" in printed
    document = json.loads(said.read_text())
    assert document["schema"] == "tallystick.score/1"
    assert document["summary"]["survived"] == printed.count("survived in add")
    assert document["functions"][0]["name"] == "add"


def test_where_no_mutant_counts_the_status_is_3_and_for_a_wrong_name_2(tmp_path: Path) -> None:
    tally = make(tmp_path, {"add": "g.r[2] = g.r[4];"})
    assert run(["opcodes", "score", str(tally), "-k", "add", "--mutants", "1"]) == 3
    assert run(["opcodes", "score", str(tally), "-k", "nothing"]) == 2
    assert run(["opcodes", "score", str(tally), "--build", "nothing"]) == 2


def made(*fates: Fate, **other: object) -> Score:
    mutants = tuple(MutantScore("c/tide.c", 7, "shift", "a << 1", "a >> 1", fate) for fate in fates)
    function = replace(FunctionScore("tide", 0x8000_1000, "", "cc -O1", mutants, 40, 40), **other)
    return Score(0, (function,), 2.0)


def test_a_score_is_rounded_down_and_says_nothing_of_what_does_not_count() -> None:
    out = StringIO()
    console = make_console(out)
    print_score(console, made(*[Fate.NOTICED] * 199, Fate.SURVIVED, Fate.EQUIVALENT, Fate.NOT_COMPILED))
    text = out.getvalue()
    assert "score 99%: 199 noticed of the 200 that could be\n" in text
    assert "202 mutants of 1 function: 199 noticed, 1 survived, 1 equivalent, 1 not compiled\n" in text
    assert score_document(made(Fate.EQUIVALENT))["summary"]["score"] is None


def test_a_fault_of_the_harness_is_told_by_the_status() -> None:
    assert score_status(made(Fate.NOTICED)) == 0
    assert score_status(made(Fate.EQUIVALENT)) == 3
    assert score_status(made(unscored="AssertionError", fault=True)) == 4
