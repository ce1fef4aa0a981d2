"""Work over processes: complete for any number of workers, and a death is pinned on its item."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.pool import Standing, run_all

_offset = 0


def prepare(offset: int) -> None:
    global _offset
    _offset = offset


def square(item: int) -> int:
    if item < 0:
        os.kill(os.getpid(), 9)
    if item == 99:
        raise ValueError("ninety-nine")
    return item * item + _offset


def outcomes(items: list[int], workers: int) -> tuple[dict[int, int], list[int], list[int]]:
    seen: list[int] = []
    gathered = run_all(square, items, workers, prepare, (1000,), lambda index, _: seen.append(index))
    return gathered.outcomes, sorted(gathered.died), sorted(seen)


@pytest.mark.parametrize("workers", [1, 2])
def test_every_item_is_run_once_in_a_prepared_process(workers: int) -> None:
    assert outcomes([1, 2, 3], workers) == ({0: 1001, 1: 1004, 2: 1009}, [], [0, 1, 2])


@pytest.mark.parametrize("workers", [1, 2])
def test_items_that_kill_their_process_are_named_and_the_others_still_run(workers: int) -> None:
    assert outcomes([1, -1, 2, -2, 3], workers) == ({0: 1001, 2: 1004, 4: 1009}, [1, 3], [0, 1, 2, 3, 4])


def test_an_exception_of_a_task_is_raised_here() -> None:
    with pytest.raises(ValueError, match="ninety-nine"):
        outcomes([1, 99], 1)


def own_process(_: int) -> int:
    return os.getpid()


def test_a_standing_process_stays_until_an_item_kills_it_and_the_next_one_gets_another() -> None:
    standing = Standing(prepare, (1000,))
    first = standing.run(own_process, 0)
    assert (standing.run(own_process, 0), standing.run(square, 3), standing.run(square, -1)) == (first, 1009, None)
    assert standing.run(square, 3) == 1009
    assert standing.run(own_process, 0) not in (first, os.getpid())
    standing.close()


#: A process that runs one long item in a standing process, in a loop as a test runner does.
_STANDING = """
import os, sys, time
from pathlib import Path
from harness.pool import Standing

def sleep(item):
    Path(sys.argv[1], "item.tmp").write_text(str(os.getpid()))
    Path(sys.argv[1], "item.tmp").rename(Path(sys.argv[1], "item.pid"))
    time.sleep(60)

standing = Standing(lambda: None)
try:
    standing.run(sleep, 1)
except KeyboardInterrupt:
    print("interrupted")
"""


def test_ctrl_c_ends_a_standing_process_and_is_raised(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _STANDING, str(tmp_path)]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert until((tmp_path / "item.pid").exists)
    worker = int((tmp_path / "item.pid").read_text())
    run.send_signal(signal.SIGINT)
    assert (*run.communicate(timeout=60), run.returncode) == ("interrupted\n", "", 0)
    assert until(lambda: not runs(worker))


#: A process that runs two long items; each worker leaves its number in the folder given.
_LONG = """
import os, sys, time
from pathlib import Path
from harness.pool import run_all

def sleep(item):
    Path(sys.argv[1], f"{item}.tmp").write_text(str(os.getpid()))
    Path(sys.argv[1], f"{item}.tmp").rename(Path(sys.argv[1], f"{item}.pid"))
    time.sleep(60)

gathered = run_all(sleep, [1, 2, 3], 2, lambda: None, (), lambda index, outcome: None)
print(gathered.interrupted, gathered.outcomes, gathered.died)
"""


#: The first item kills its process, so that the second one runs alone.
_ALONE = """
import os, sys, time
from pathlib import Path
from harness.pool import run_all

def work(item):
    if item == 0:
        os._exit(1)
    Path(sys.argv[1], "alone.pid").write_text(str(os.getpid()))
    time.sleep(60)

gathered = run_all(work, [0, 1], 1, lambda: None, (), lambda index, outcome: None)
print(gathered.interrupted, gathered.outcomes, gathered.died)
"""


def until(true: Callable[[], bool]) -> bool:
    """Whether it comes true within ten seconds."""
    end = time.monotonic() + 10
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.02)
    return False


def runs(process: int) -> bool:
    """Whether a process runs; one that only waits to be collected does not."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.mark.parametrize(
    ("number", "status", "printed"),
    [
        (signal.SIGINT, 0, "True {} []\n"),
        (signal.SIGTERM, -signal.SIGTERM, ""),
        (signal.SIGKILL, -signal.SIGKILL, ""),
    ],
)
def test_however_the_run_is_ended_its_processes_end_at_once(
    tmp_path: Path, number: signal.Signals, status: int, printed: str
) -> None:
    run = subprocess.Popen(
        [sys.executable, "-c", _LONG, str(tmp_path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert until(lambda: len(list(tmp_path.glob("*.pid"))) == 2)
    workers = [int(file.read_text()) for file in tmp_path.glob("*.pid")]
    run.send_signal(number)
    out, err = run.communicate(timeout=60)
    assert (run.returncode, out, err) == (status, printed, "")
    assert until(lambda: not any(runs(worker) for worker in workers))


def test_an_item_that_ctrl_c_stops_is_not_said_to_have_killed_its_process(tmp_path: Path) -> None:
    command = [sys.executable, "-c", _ALONE, str(tmp_path)]
    run = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert until((tmp_path / "alone.pid").exists)
    run.send_signal(signal.SIGINT)
    assert (*run.communicate(timeout=60), run.returncode) == ("True {} [0]\n", "", 0)
