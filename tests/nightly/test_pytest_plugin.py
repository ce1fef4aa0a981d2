"""The pytest plugin as its users meet it: another run of pytest, on a small corpus."""

from __future__ import annotations

import json
import re
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from small_corpus import WRONG, SmallCorpus

import harness.pytest_checks  # noqa: F401 - what a run of pytest in this process imports anew, it drops again

pytest_plugins = ("pytester",)


@pytest.fixture
def corpus(pytester: pytest.Pytester) -> SmallCorpus:
    """A corpus of a program, one of whose functions is wrong."""
    made = SmallCorpus.made(pytester.path, "ebb")
    made.translate("ebb", add=WRONG["add"])
    return made


def run(pytester: pytest.Pytester, *arguments: str) -> pytest.RunResult:
    return pytester.runpytest_inprocess(*arguments)


def collected(pytester: pytest.Pytester, *arguments: str) -> list[str]:
    result = run(pytester, "--collect-only", "-q", *arguments)
    return [line for line in result.outlines if "::" in line]


def test_a_corpus_is_collected_as_programs_and_functions(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    names = ("add", "store", "divide", "spin")
    assert collected(pytester, "corpus.toml") == [f"corpus.toml::ebb::{name}" for name in names]


def test_the_build_stands_in_the_name_where_there_are_several(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    tally = corpus.folder / "ebb" / "tally.toml"
    tally.write_text(tally.read_text() + '[[build]]\nname = "one"\n[[build]]\nname = "two"\n')
    names = [name.partition("::")[2] for name in collected(pytester, "ebb/tally.toml")]
    assert names == [f"{name}[{build}]" for build in ("one", "two") for name in ("add", "store", "divide", "spin")]


def test_nothing_is_collected_where_no_such_file_is_named(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    pytester.makepyfile(test_mine="def test_mine(): pass")
    assert collected(pytester) == ["test_mine.py::test_mine"]
    assert collected(pytester, ".") == ["test_mine.py::test_mine"]


def test_files_can_be_configured(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    pytester.makeini("[pytest]\ntally_files = ebb/tally.toml\n")
    assert [name.partition("::")[0] for name in collected(pytester)] == ["ebb/tally.toml"] * 4


def test_another_toml_file_is_none_of_ours(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    pytester.makefile(".toml", other='[tool]\nname = "x"\n')
    result = run(pytester, "other.toml")
    result.assert_outcomes()
    result.stderr.fnmatch_lines(["ERROR: not found: *other.toml"])


def test_a_failure_prints_the_report_of_the_command_line_and_no_stack(
    pytester: pytest.Pytester, corpus: SmallCorpus
) -> None:
    result = run(pytester, "corpus.toml", "-rfs")
    result.assert_outcomes(passed=2, failed=1, skipped=1)
    text = result.stdout.str()
    assert "\ndiffer: add under cc -O1: register v0\n  reference   " in text
    assert "\n  again       tallystick replay ebb/.tallystick/cases/add-" in text
    assert "harness/" not in text.partition("short test summary")[0]
    assert re.search(r"^FAILED corpus.toml::ebb::add - Failed: differ: add under cc -O1: register v0$", text, re.M)
    assert "excluded: never ends" in text  # nothing is skipped in silence


def test_the_options_that_everyone_knows_work(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    corpus.file.write_text(corpus.file.read_text() + 'tags = ["quick"]\n')
    run(pytester, "corpus.toml", "-k", "store").assert_outcomes(passed=1, deselected=3)
    run(pytester, "corpus.toml", "-m", "not quick", "--strict-markers").assert_outcomes(deselected=4)
    run(pytester, "corpus.toml", "-m", "quick", "-x").assert_outcomes(failed=1)
    run(pytester, "corpus.toml", "--lf").assert_outcomes(failed=1)
    run(pytester, "corpus.toml::ebb::store").assert_outcomes(passed=1)


def test_xdist_collects_and_says_the_same(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    result = pytester.runpytest_subprocess("corpus.toml", "-n", "2")
    result.assert_outcomes(passed=2, failed=1, skipped=1)
    assert "\ndiffer: add under cc -O1: register v0\n" in result.stdout.str()


def test_junit_xml_holds_report_verdict_and_states(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    run(pytester, "corpus.toml", "--junitxml", "out.xml", "--tally-states", "33", "-k", "ebb and add")
    (case,) = Xml.parse(pytester.path / "out.xml").iter("testcase")
    failure = case.find("failure")
    assert failure is not None and (failure.text or "").startswith("differ: add under cc -O1: register v0\n")
    assert case.get("name") == "add"
    properties = {one.get("name"): one.get("value") for one in case.iter("property")}
    assert properties["verdicts"] == "differ"


def test_a_known_finding_is_an_expected_failure_until_it_expires(
    pytester: pytest.Pytester, corpus: SmallCorpus
) -> None:
    entry = 'function = "add"\nreason = "next release"\nowner = "mara"\ndate = 2020-03-01\n'
    corpus.know(entry)
    result = run(pytester, "corpus.toml", "-rx", "-k", "add")
    result.assert_outcomes(xfailed=1, deselected=3)
    result.stdout.fnmatch_lines(["XFAIL corpus.toml::ebb::add - next release (mara, since 2020-03-01)"])
    corpus.know(f"{entry}expires = 2020-03-02")
    run(pytester, "corpus.toml", "-k", "add").assert_outcomes(failed=1, deselected=3)


def test_c_that_does_not_compile_is_said_in_full_once(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    corpus.translate("ebb", add="this is no C;")
    result = run(pytester, "corpus.toml")
    result.assert_outcomes(failed=3, skipped=1)
    reports, _, _ = result.stdout.str().partition("short test summary")  # under CI pytest repeats them in the summary
    assert reports.count("the compiler said") == 1
    assert "harness/" not in reports


def test_a_file_that_does_not_fit_is_an_error_in_words(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    corpus.file.write_text("[[program]]\nname = 'x'\n")
    result = run(pytester, "corpus.toml")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*corpus.toml [[]program] item 1 config: missing key"])
    assert "Traceback" not in result.stdout.str() and "harness/" not in result.stdout.str()


def test_a_function_that_kills_its_process_fails_alone(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    pytester.makeconftest(
        """
        import os
        from harness.check import ShapeStudy

        source = ShapeStudy.source
        def dies(study, bench, function, limits):
            if function.name == "store":
                os._exit(1)
            return source(study, bench, function, limits)
        ShapeStudy.source = dies
        """
    )
    result = pytester.runpytest_subprocess("corpus.toml")
    result.assert_outcomes(passed=1, failed=2, skipped=1)
    result.stdout.fnmatch_lines(["harness-error: store: the worker process died while it ran this function"])


def test_pytest_and_the_night_give_the_same_verdicts(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    corpus.translate("ebb", add=WRONG["add"], divide=WRONG["divide"])
    night = corpus.night(1, seed=5)
    told = {
        f"{program.name}::{subject.function}": str(row.verdict)
        for program in night.programs
        for subject, row in program.rows
    }
    run(pytester, "corpus.toml", "--tally-seed", "5", "--junitxml", "out.xml")
    found = {}
    for case in Xml.parse(pytester.path / "out.xml").iter("testcase"):
        name = f"{(case.get('classname') or '').split('.')[-1]}::{case.get('name')}"
        found[name] = next(one.get("value") for one in case.iter("property") if one.get("name") == "verdicts")
    assert found == told
    assert sorted(told.values()) == ["agree", "differ", "differ", "not-run"]


def test_only_the_file_itself_says_what_is_in_the_names(pytester: pytest.Pytester, corpus: SmallCorpus) -> None:
    """Names are what --lf and the histories of CI servers keep: they must not change from run to run."""
    first = collected(pytester, "corpus.toml")
    run(pytester, "corpus.toml")
    assert collected(pytester, "corpus.toml") == first
    kept = json.loads(Path(pytester.path, ".pytest_cache/v/cache/lastfailed").read_text())
    assert list(kept) == ["corpus.toml::ebb::add"]
