"""The command line from end to end, on a tiny project: results, exit statuses, and what the user can get wrong."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from tiny_project import make

from harness import cli
from harness.engines.base import MachineState, Outcome
from harness.engines.reference import Reference
from harness.errors import HarnessError
from harness.pool import run_all
from harness.selftest import sums_up

NO_SPIN = 'exclude = [{ pattern = "spin", reason = "never ends" }]'


def run(*arguments: object) -> int:
    return cli.run([str(argument) for argument in arguments])


def checked(tally: Path, *arguments: object) -> tuple[int, dict[str, Any]]:
    """Exit status and JSON of a check."""
    out = tally.parent / "out.json"
    status = run("check", tally, "--json", out, "--workers", 1, *arguments)
    return status, json.loads(out.read_text())


def rows(document: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {function["name"]: function for function in document["functions"]}


# --- check -----------------------------------------------------------------------------------------------------------


def test_a_right_translation_agrees_with_status_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, document = checked(make(tmp_path, check=NO_SPIN))
    assert status == 0
    found = {name: (row["verdict"], row["reason"]) for name, row in rows(document).items()}
    assert found == {
        "add": ("agree", ""),
        "store": ("agree", ""),
        "divide": ("agree", ""),
        "spin": ("not-run", "excluded: never ends"),
    }
    assert document["summary"]["agree"] == 3
    assert "no difference in" in capsys.readouterr().out


def test_wrong_functions_are_named_with_place_input_writer_and_case(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    wrong = {
        "add": "g.r[2] = (uint32_t)(g.r[4] + g.r[5]);",  # loses the sign extension
        "store": "put(m, g.r[4], g.r[5] ^ 0x100);",  # one bit of one byte
    }
    status, document = checked(make(tmp_path, wrong, NO_SPIN))
    assert status == 1
    add, store = rows(document)["add"], rows(document)["store"]
    assert (add["verdict"], store["verdict"], rows(document)["divide"]["verdict"]) == ("differ", "differ", "agree")
    first = add["first_difference"]
    assert (first["kind"], first["where"], first["values"]["reference"][:8]) == ("register", "v0", "ffffffff")
    assert first["values"]["cc -O1"] == "00000000" + first["values"]["reference"][8:]
    assert first["written_by"] == {"address": "ffffffff80001000", "text": "addu v0,a0,a1"}
    assert first["input_words"] == 1
    first = store["first_difference"]
    assert (first["kind"], int(first["where"], 16) % 4) == ("memory", 2)
    assert first["written_by"]["text"] == "sw a1,0(a0)"
    text = capsys.readouterr().out
    assert "differ: add under cc -O1: register v0" in text
    assert f"tallystick replay {add['first_difference']['case']}" in text


def test_a_host_division_by_zero_is_a_crash_though_the_guest_leaves_the_result_open(tmp_path: Path) -> None:
    status, document = checked(make(tmp_path, {"divide": "g.r[2] = (int32_t)g.r[4] / (int32_t)g.r[5];"}, NO_SPIN))
    first = rows(document)["divide"]["first_difference"]
    assert (status, first["kind"]) == (1, "crash")
    assert "host division by zero" in first["values"]["cc -O1"]


def test_a_hang_and_a_wild_access_are_findings_and_the_run_goes_on(tmp_path: Path) -> None:
    wrong = {"add": "for (volatile int on = 1; on;) {}", "store": "m[0x3000000] = 1;"}
    status, document = checked(make(tmp_path, wrong, NO_SPIN))
    found = {name: row["first_difference"] for name, row in rows(document).items() if row["first_difference"]}
    assert status == 1
    assert {name: first["kind"] for name, first in found.items()} == {"add": "hang", "store": "crash"}
    assert found["store"]["values"]["cc -O1"] == "wild access at ffffffff83000000"
    assert rows(document)["divide"]["verdict"] == "agree"


def test_a_function_missing_from_the_c_is_not_run(tmp_path: Path) -> None:
    status, document = checked(make(tmp_path, {"divide": ""}, NO_SPIN))
    assert status == 0
    assert rows(document)["divide"]["verdict"] == "not-run"
    assert "missing" in rows(document)["divide"]["reason"]


def test_every_compiler_has_its_own_row(tmp_path: Path) -> None:
    project = make(tmp_path, check=NO_SPIN, compilers='["cc -O1", "cc -O0"]')
    _, document = checked(project, "-k", "add")
    assert [row["compiler"] for row in document["functions"]] == ["cc -O1", "cc -O0"]
    assert [leg["name"] for leg in document["legs"]] == ["reference", "unicorn", "cc -O1", "cc -O0"]


def test_a_function_that_never_ends_is_inconclusive_with_status_3(tmp_path: Path) -> None:
    status, document = checked(make(tmp_path), "-k", "spin")
    assert (status, rows(document)["spin"]["verdict"]) == (3, "inconclusive")


def test_the_json_is_the_same_for_any_number_of_workers(tmp_path: Path) -> None:
    project = make(tmp_path, {"add": "g.r[2] = (uint32_t)(g.r[4] + g.r[5]);"}, NO_SPIN)

    def bytes_of(workers: int) -> str:
        _, document = checked(project, "--workers", workers, "--seed", 5)
        document["summary"].pop("seconds")
        document.pop("timing")
        return json.dumps(document)

    assert bytes_of(1) == bytes_of(2)


def test_options_override_the_file(tmp_path: Path) -> None:
    _, document = checked(make(tmp_path, check=NO_SPIN), "--states", 9, "--seed", 77, "--scope", "all", "-k", "add")
    assert (document["seed"], document["scope"], rows(document)["add"]["states"]) == (77, "all", 9)


# --- replay ----------------------------------------------------------------------------------------------------------


def test_a_saved_case_replays_to_the_same_values_until_the_c_is_mended(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    project = make(tmp_path, {"add": "g.r[2] = (uint32_t)(g.r[4] + g.r[5]);"}, NO_SPIN)
    _, document = checked(project, "-k", "add")
    first = rows(document)["add"]["first_difference"]
    again = tmp_path / "again.json"
    assert run("replay", first["case"], "--json", again) == 1
    assert rows(json.loads(again.read_text()))["add"]["first_difference"] == first
    assert "the same as when it was saved" in capsys.readouterr().out
    source = tmp_path / "c" / "all.c"
    source.write_text(source.read_text().replace("uint32_t)(g.r[4]", "int32_t)(g.r[4]"))
    assert run("replay", first["case"]) == 0
    assert "agree: add: no difference in this state now" in capsys.readouterr().out


def test_a_case_of_another_image_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    project = make(tmp_path, {"add": "g.r[2] = 0;"}, NO_SPIN)
    _, document = checked(project, "-k", "add")
    image = tmp_path / "guest.bin"
    image.write_bytes(image.read_bytes()[:-4] + b"\0\0\0\1")
    assert run("replay", rows(document)["add"]["first_difference"]["case"]) == 2
    assert "the guest image is not the one this case was found in: got SHA-256" in capsys.readouterr().err


def test_a_case_of_a_compiler_that_is_gone_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    project = make(tmp_path, {"add": "g.r[2] = 0;"}, NO_SPIN)
    _, document = checked(project, "-k", "add")
    project.write_text(project.read_text().replace("cc -O1", "cc -O0"))
    assert run("replay", rows(document)["add"]["first_difference"]["case"]) == 2
    assert "got 'cc -O1', expected cc -O0" in capsys.readouterr().err


def test_a_case_away_from_its_configuration_says_which_one_it_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    project = make(tmp_path, {"add": "g.r[2] = 0;"}, NO_SPIN)
    _, document = checked(project, "-k", "add")
    case = Path(rows(document)["add"]["first_difference"]["case"])
    moved = case.rename(tmp_path / "add.json")
    assert run("replay", moved) == 2
    error = capsys.readouterr().err
    assert f"{moved}: the tally.toml of this case is not there: got {tmp_path.parent.parent / 'tally.toml'}" in error


def test_what_is_no_case_is_told_with_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    binary = tmp_path / "binary.json"
    binary.write_bytes(b"\x7fELF\x80\xff")
    assert (run("replay", binary), run("replay", tmp_path)) == (2, 2)
    assert capsys.readouterr().err.splitlines() == [
        f"{binary}: is no text: expected a case that `tallystick check` saved",
        f"{tmp_path}: cannot be read: got is a directory",
    ]


# --- survey ----------------------------------------------------------------------------------------------------------


def test_a_survey_lists_functions_and_what_is_missing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("survey", make(tmp_path, {"divide": ""})) == 0
    text = capsys.readouterr().out
    assert re.search(r"ffffffff80001000 +12 bytes  add\n", text)
    assert re.search(r"ffffffff80001018 +16 bytes  divide +translated function missing from the C\n", text)
    assert "4 functions, 3 translated, 1 not" in text


def test_a_survey_of_one_function_says_what_it_reads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "survey.json"
    assert run("survey", make(tmp_path), "store", "--json", out) == 0
    assert "reads\n    a0  pointer to 4 bytes" in capsys.readouterr().out
    (function,) = json.loads(out.read_text())["builds"][0]["functions"]
    assert (function["name"], function["callees"]) == ("store", [])


# --- selftest --------------------------------------------------------------------------------------------------------


def test_the_selftest_is_good_here(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "selftest.json"
    assert run("selftest", "--json", out) == 0
    text = capsys.readouterr().out
    assert "good  leg reference: sums 1 to 100" in text
    assert "good  leg unicorn: sums 1 to 100" in text
    assert {"what", "text", "good"} == set(json.loads(out.read_text())["lines"][0])


def test_the_selftest_notices_a_leg_that_computes_wrongly() -> None:
    class Off(Reference):
        def run(self, before: MachineState, fuel: int) -> Outcome:
            return super().run(replace(before, gpr=(*before.gpr[:4], 99, *before.gpr[5:])), fuel)

    assert sums_up(Off()) == "wrong result: got (4950, 79200, '00001356'), expected (5050, 80800, '000013ba')"


# --- what the user can get wrong, and what we can -------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["-k", "ad"], "no function matches the pattern: got 'ad'.*\nhelp: did you mean add"),
        (["--build", "o32"], "no build has this name: got 'o32'"),
        (["--states", "0"], "tallystick check: invalid value for '--states': 0 is not in the range"),
        (["--states", "10000001"], "10000001 is not in the range"),
        (["--seed", "-1"], "-1 is not in the range"),
        (["--workers", "0"], "0 is not in the range"),
        (["--scope", "most"], "'most' is not one of 'abi', 'all'.*\nhelp: `tallystick check --help`"),
        (["--frobnicate"], "tallystick check: no such option"),
        (["--json", "."], r"\.: cannot be written: got is a directory"),
        (["--json", "/no/where.json"], "/no/where.json: cannot be written: got no such file"),
    ],
)
def test_a_wrong_option_is_told_with_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], words: str
) -> None:
    assert run("check", make(tmp_path), *arguments) == 2
    captured = capsys.readouterr()
    assert re.search(words, captured.err)
    assert "Traceback" not in captured.err
    assert captured.out == ""  # it is told before the work


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"guest.bin"', '"gone.bin"', "gone.bin"),
        ('abi = "o32"', 'abi = "o33"', "o33"),
        ("compilers", "compiler", 'did you mean "compilers"'),
        ("cc -O1", "no-such-cc", "compiler not found: got no-such-cc"),
        ("g.r[{n}]", "g.q[{n}]", "g.*has no member named"),
        ("f_{name}", "g_{name}", r"binding\] function: names no function that the C has.*: got g_add for add"),
        ('"c/*.c"', '"d/*.c"', "no file matches: got 'd/\\*.c'"),
        ('"functions.txt"', '"none.txt"', "none.txt"),
        ("states = 40", "states = 0", "states"),
        ("[guest]", "[guest", "tally.toml"),
    ],
)
def test_a_wrong_file_is_told_with_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, words: str
) -> None:
    tally = make(tmp_path)
    assert old in tally.read_text()
    tally.write_text(tally.read_text().replace(old, new))
    assert run("check", tally) == 2
    captured = capsys.readouterr()
    assert re.search(words, captured.err)
    assert "Traceback" not in captured.err


def test_a_missing_file_is_told_with_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", tmp_path / "none.toml") == 2
    assert run("replay", tmp_path / "none.json") == 2
    assert run("survey", tmp_path / "none.toml") == 2
    assert capsys.readouterr().err.count("no such file") == 3


def test_an_unexpected_exception_is_a_fault_of_ours_with_status_4(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("somewhere inside")

    monkeypatch.setattr("harness.check.load_config", broken)
    assert run("check", tmp_path / "tally.toml") == 4
    error = capsys.readouterr().err
    assert "unexpected ZeroDivisionError: somewhere inside" in error
    details = Path(error.split("report it with ")[1].strip())
    assert "Traceback" in details.read_text()
    details.unlink()


def test_a_harness_error_has_status_4(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise HarnessError("compare", "two legs ran with different FR bits")

    monkeypatch.setattr("harness.check.load_config", broken)
    assert run("check", tmp_path / "tally.toml") == 4
    assert capsys.readouterr().err.startswith("compare: two legs ran with different FR bits\n")


def ended(tally: Path, *arguments: str, stdout: int) -> tuple[int, str]:
    """Status and stderr of a check in a process of its own, whose output goes to the file ``stdout``."""
    command = [sys.executable, "-c", "from harness.cli import main; main()", "check", str(tally), *arguments]
    done = subprocess.run(command, stdout=stdout, stderr=subprocess.PIPE, text=True)
    return done.returncode, done.stderr


def test_a_reader_that_has_seen_enough_changes_neither_status_nor_json(tmp_path: Path) -> None:
    reader, writer = os.pipe()
    os.close(reader)
    out = tmp_path / "out.json"
    assert ended(make(tmp_path, check=NO_SPIN), "--json", str(out), stdout=writer) == (0, "")
    assert json.loads(out.read_text())["summary"]["agree"] == 3


def test_a_full_disk_is_for_the_user_to_mend(tmp_path: Path) -> None:
    with open("/dev/full", "w") as full:
        status = ended(make(tmp_path), "-k", "add", stdout=full.fileno())
    assert status == (2, "output: cannot be written: got no space left on device\n")


def test_an_interrupted_check_prints_what_it_has_with_status_3(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt_after_first(*arguments: Any) -> Any:
        def told(index: int, _: object) -> None:
            raise KeyboardInterrupt

        return run_all(*arguments[:-1], told)

    monkeypatch.setattr("harness.check.run_all", interrupt_after_first)
    status, document = checked(make(tmp_path, check=NO_SPIN))
    assert (status, document["interrupted"], document["summary"]["agree"]) == (3, True, 1)
    assert "interrupted: 2 functions not finished and not in the table" in capsys.readouterr().out


def test_c_that_cannot_be_loaded_is_told_before_any_function_is_checked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = make(tmp_path)
    with (tmp_path / "c" / "all.c").open("a") as file:
        file.write("#include <stdlib.h>\n__attribute__((constructor)) static void up(void) { exit(5); }\n")
    assert run("check", tally) == 2
    captured = capsys.readouterr()
    assert "cannot be loaded: got exit status 5\nhelp: " in captured.err
    assert captured.out == ""


def test_a_pattern_of_left_out_functions_only_is_told_with_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("check", make(tmp_path, check='include = ["s*"]'), "-k", "add") == 2
    assert "[check] include: leaves out every function that the pattern picks: got 'add'" in capsys.readouterr().err


@pytest.mark.parametrize(("status", "mapped"), [(0, 0), (1, 1), (2, 125), (3, 125), (4, 125)])
def test_git_bisect_is_told_what_cannot_be_tested(monkeypatch: pytest.MonkeyPatch, status: int, mapped: int) -> None:
    monkeypatch.setattr(cli, "run", lambda _: status)
    with pytest.raises(SystemExit) as ended:
        cli.main(["check", "tally.toml", "--for-git-bisect"])
    assert ended.value.code == mapped


@pytest.mark.parametrize("verb", ["init", "check", "replay", "survey", "selftest"])
def test_every_verb_explains_itself_with_an_example(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(verb, "--help") == 0
    assert f"tallystick {verb}" in capsys.readouterr().out.split("Example:")[1]


def test_the_list_of_verbs_is_told_whole(capsys: pytest.CaptureFixture[str]) -> None:
    assert run() == 2
    text = capsys.readouterr().err
    assert "Check functions and report which differ." in text
    assert "..." not in text.split("Commands:")[1]
