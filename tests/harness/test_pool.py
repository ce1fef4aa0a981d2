"""Work over processes: complete for any number of workers, and a death is pinned on its item."""

from __future__ import annotations

import os

import pytest

from harness.pool import run_all

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
