"""The self-test: what it counts, what it calls good, and what it says of behaviour that nobody has looked at."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from tiny_project import make

from harness.cli import FAULT, USAGE, run
from harness.engines import unicorn, unicorn_standing
from harness.engines.faults import FAULTS
from harness.results import Selftest
from harness.selftest import selftest

KNOWN = {fault.id: fault.known for fault in FAULTS}
GONE = KNOWN | {"long-run": "runs through"}
STRANGE = KNOWN | {"sra-wide": "v0=7"}


def line(result: Selftest, what: str) -> tuple[bool, str]:
    return next((one.good, one.text) for one in result.lines if one.what == what)


def probes(result: Selftest) -> tuple[bool, str]:
    good, text = line(result, f"probes of unicorn {unicorn_standing.VERSION}")
    return good, text.split(": ")[1]


def test_it_counts_rows_events_and_probes() -> None:
    result = selftest(lambda: KNOWN)
    assert result.good
    assert line(result, "reference")[1].startswith("207 instructions, ")
    assert probes(result) == (True, f"{len(FAULTS)} known differences there, 0 gone, 0 unknown")
    assert [difference.id for difference in result.differences] == [fault.id for fault in FAULTS]


def test_a_difference_that_is_gone_is_good() -> None:
    result = selftest(lambda: GONE)
    assert result.good
    assert probes(result) == (True, f"{len(FAULTS) - 1} known differences there, 1 gone, 0 unknown")
    assert [difference.id for difference in result.differences if difference.state == "gone"] == ["long-run"]


def test_unknown_behaviour_is_bad_and_the_leg_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unicorn, "remembered", lambda: STRANGE)
    result = selftest(lambda: STRANGE)
    assert not result.good
    assert probes(result) == (False, f"{len(FAULTS) - 1} known differences there, 0 gone, 1 unknown")
    good, text = line(result, "leg unicorn")
    assert not good
    assert text == "refused: the probe sra-wide shows behaviour that nobody has looked at"


def test_the_command_ends_with_the_status_of_a_fault_where_it_is_bad(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = selftest(lambda: STRANGE)
    monkeypatch.setattr("harness.selftest.selftest", lambda: bad)
    assert run(["selftest"]) == FAULT
    assert re.search(r"^  sra-wide +unknown  ", capsys.readouterr().out, re.MULTILINE)


def test_the_command_tells_everything_about_one_difference(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "selftest.json"
    assert run(["selftest", "sra-wide", "--json", str(out)]) == 0
    text = capsys.readouterr().out
    assert "V41 p. 554" in text
    assert "v0=80000000" in text
    assert len(json.loads(out.read_text())["differences"]) == len(FAULTS)


def test_a_check_is_refused_by_the_name_of_the_leg_and_the_probe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(unicorn, "remembered", lambda: STRANGE)
    assert run(["check", str(make(tmp_path))]) == USAGE
    said = capsys.readouterr().err
    assert said.startswith(f"leg unicorn {unicorn_standing.VERSION}: the probe sra-wide shows behaviour that nobody")
    assert "help: install unicorn 2.1.4" in said


def test_a_check_goes_on_where_a_fault_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unicorn, "remembered", lambda: GONE)
    assert run(["check", str(make(tmp_path)), "-k", "add", "--states", "20"]) == 0


def test_a_check_does_not_run_the_probes_again(monkeypatch: pytest.MonkeyPatch) -> None:
    def never() -> dict[str, str]:
        raise AssertionError("the probes ran")

    unicorn.Unicorn().close()
    monkeypatch.setattr(unicorn_standing, "observe", never)
    unicorn_standing.remembered.cache_clear()
    unicorn.Unicorn().close()
