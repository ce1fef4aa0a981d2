"""The known faults of Unicorn: each still occurs; where one does not, its entry in ``faults`` and its remedy can go."""

from __future__ import annotations

import os
import resource
import signal
import time
from pathlib import Path

import pytest

from harness.engines import unicorn_probes
from harness.engines.faults import FAULTS, Fault
from harness.engines.unicorn_probes import observe, seen_in_child


@pytest.fixture(scope="module")
def saw() -> dict[str, str]:
    return observe()


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.id)
def test_the_fault_still_occurs(fault: Fault, saw: dict[str, str]) -> None:
    assert saw[fault.id] in (fault.known, *fault.also)


def test_all_probes_together_take_less_than_two_seconds() -> None:
    """Measured as processor time, which other work on the machine does not change."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    observe()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 2


def test_a_folder_of_the_users_with_our_name_is_not_in_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, saw: dict[str, str]
) -> None:
    (tmp_path / "harness").mkdir()
    (tmp_path / "harness" / "__init__.py").write_text("raise RuntimeError('not this one')", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert observe() == saw


def test_a_probe_that_dies_hangs_or_raises_says_so_and_harms_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(unicorn_probes, "_SECONDS_EACH", 1)
    assert seen_in_child(lambda: str(os.kill(os.getpid(), signal.SIGKILL))) == "kills the process"
    assert seen_in_child(lambda: str(time.sleep(60))) == "hangs"
    assert seen_in_child(lambda: str(1 // 0)) == "ZeroDivisionError: integer division or modulo by zero"
    assert seen_in_child(lambda: "v0=1") == "v0=1"
