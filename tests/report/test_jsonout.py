"""The JSON form of a check: its keys are relied on by scripts, so they are written out here."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from made_results import ALL_KINDS, result

from harness.errors import UsageError
from harness.report.jsonout import check_document, write_json

DOCUMENT = check_document(result(*ALL_KINDS))


def test_the_whole_object(pinned: Callable[[str, str], None]) -> None:
    pinned("check.json", json.dumps(DOCUMENT, indent=1) + "\n")


def test_the_fixed_keys_are_there() -> None:
    assert DOCUMENT["schema"] == "tallystick.check/1"
    assert {"schema", "seed", "legs", "summary", "functions"} <= set(DOCUMENT)
    assert set(DOCUMENT["legs"][0]) == {"name", "version"}
    verdicts = {"agree", "differ", "inconclusive", "not-run", "harness-error"}
    assert set(DOCUMENT["summary"]) == verdicts | {"states", "compared", "seconds"}
    for function in DOCUMENT["functions"]:
        assert set(function) >= {
            "name", "address", "size", "verdict", "reason", "states", "compared", "discarded", "instructions_reached",
            "instructions_total", "branches_reached", "branches_total", "first_difference",
        }  # fmt: skip


def test_the_first_difference_has_its_fixed_keys() -> None:
    found = DOCUMENT["functions"][1]["first_difference"]
    assert found["kind"] == "register"
    assert found["where"] == "v0"
    assert found["values"] == {
        "reference": "ffffffff80000000",
        "unicorn": "ffffffff80000000",
        "gcc -O2": "0000000080000000",
    }
    assert found["written_by"] == {"address": "ffffffff80001034", "text": "sra v0,a0,0x4"}
    assert found["case"] == "cases/tide_height-0123456789ab.json"


def test_a_function_that_agrees_has_no_first_difference() -> None:
    assert DOCUMENT["functions"][0]["first_difference"] is None


def test_addresses_have_16_hex_digits() -> None:
    assert DOCUMENT["functions"][0]["address"] == "ffffffff80001000"


def test_the_file_holds_the_object(tmp_path: Path) -> None:
    write_json(DOCUMENT, tmp_path / "out.json")
    assert json.loads((tmp_path / "out.json").read_text()) == DOCUMENT


def test_a_file_that_cannot_be_written_is_the_users_to_mend(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be written"):
        write_json(DOCUMENT, tmp_path / "none" / "out.json")
