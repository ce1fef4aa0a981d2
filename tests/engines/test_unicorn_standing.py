"""What the probes saw decides: known faults and right behaviour are accepted, anything else is refused by name."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.engines import unicorn, unicorn_standing
from harness.engines.faults import FAULTS
from harness.engines.unicorn import Unicorn
from harness.engines.unicorn_standing import State, cache_file, remembered, require_known, standings
from harness.errors import UsageError

KNOWN = {fault.id: fault.known for fault in FAULTS}
GONE = KNOWN | {"sra-wide": "v0=0"}
STRANGE = KNOWN | {"sra-wide": "v0=7"}


@pytest.fixture
def runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """An empty cache, and probes that only count how often they were run."""
    counted: list[str] = []

    def observe() -> dict[str, str]:
        counted.append("run")
        return KNOWN

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(unicorn_standing, "observe", observe)
    remembered.cache_clear()
    yield counted
    remembered.cache_clear()


def recalled() -> object:
    """What another process would remember."""
    remembered.cache_clear()
    return remembered()


def state_of(saw: dict[str, str], fault: str) -> State:
    return next(standing.state for standing in standings(saw) if standing.fault.id == fault)


def test_a_fault_is_there_gone_or_unknown() -> None:
    assert [state_of(saw, "sra-wide") for saw in (KNOWN, GONE, STRANGE)] == [State.THERE, State.GONE, State.UNKNOWN]


def test_another_face_of_a_known_fault_is_the_same_fault() -> None:
    assert state_of(KNOWN | {"slot-trap-state": "kills the process"}, "slot-trap-state") is State.THERE


def test_known_faults_and_faults_that_are_gone_are_accepted() -> None:
    require_known(KNOWN)
    require_known(GONE)
    require_known({fault.id: fault.right for fault in FAULTS})


def test_unknown_behaviour_is_refused_by_name() -> None:
    with pytest.raises(UsageError) as refusal:
        require_known(STRANGE)
    text = str(refusal.value)
    assert "leg unicorn" in text
    assert "the probe sra-wide shows behaviour that nobody has looked at" in text
    assert "got v0=7" in text
    assert "expected v0=0, or the known fault: v0=80000000" in text
    assert "help: install unicorn 2.1.4" in text


def test_a_probe_that_said_nothing_is_unknown_behaviour() -> None:
    with pytest.raises(UsageError, match=r"sra-wide.*got nothing"):
        require_known(KNOWN | {"sra-wide": ""})


def test_the_leg_refuses_to_start_on_unknown_behaviour(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unicorn, "remembered", lambda: STRANGE)
    with pytest.raises(UsageError, match="sra-wide"):
        Unicorn()


def test_the_probes_run_once_for_a_version(runs: list[str]) -> None:
    assert recalled() == recalled() == KNOWN
    assert len(runs) == 1
    assert cache_file().name.startswith(f"unicorn-{unicorn_standing.VERSION}-")


def test_another_version_runs_them_again(runs: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    recalled()
    monkeypatch.setattr(unicorn_standing, "VERSION", "9.9.9")
    recalled()
    assert len(runs) == 2


@pytest.mark.parametrize("content", ["", "[]", "{}", json.dumps(dict.fromkeys(KNOWN, 1)), '{"sra-wide": "v0=0"}'])
def test_a_spoiled_cache_is_as_good_as_none(runs: list[str], content: str) -> None:
    recalled()
    cache_file().write_text(content, encoding="utf-8")
    assert recalled() == KNOWN
    assert len(runs) == 2


def test_a_cache_that_cannot_be_written_costs_time_only(runs: list[str], tmp_path: Path) -> None:
    (tmp_path / "tallystick").write_text("in the way", encoding="utf-8")
    assert recalled() == recalled() == KNOWN
    assert len(runs) == 2
