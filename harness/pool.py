"""Work spread over processes, where a process may die: the item that killed it is told apart from the others.

What a task returns depends on its item alone, so the results are the same for any number of workers.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


@dataclass(slots=True)
class Gathered(Generic[Outcome]):
    """What came back: outcomes by index of their item, the indexes that killed their process, and whether Ctrl-C came.

    After Ctrl-C items may be in neither.
    """

    outcomes: dict[int, Outcome]
    died: list[int]
    interrupted: bool = False


def run_all(
    task: Callable[[Item], Outcome],
    items: Sequence[Item],
    workers: int,
    prepare: Callable[..., None],
    arguments: tuple[Any, ...],
    done: Callable[[int, Outcome | None], None],
) -> Gathered[Outcome]:
    """Runs ``task`` on every item in ``workers`` processes, each of which calls ``prepare(*arguments)`` first.

    ``done`` is called in this process for each item as it ends, with None for one that killed its process. An exception
    out of ``task`` is raised here.
    """
    gathered: Gathered[Outcome] = Gathered({}, [])
    try:
        waiting = _together(task, items, workers, prepare, arguments, done, gathered)
        while waiting:
            waiting = _alone(task, items, waiting, prepare, arguments, done, gathered)
    except KeyboardInterrupt:
        gathered.interrupted = True
    return gathered


def _together(
    task: Callable[[Item], Outcome],
    items: Sequence[Item],
    workers: int,
    prepare: Callable[..., None],
    arguments: tuple[Any, ...],
    done: Callable[[int, Outcome | None], None],
    gathered: Gathered[Outcome],
) -> list[int]:
    """Runs all items side by side; gives those left over because some process died."""
    pool = ProcessPoolExecutor(workers, initializer=_start, initargs=(prepare, arguments))
    try:
        futures: dict[Future[Outcome], int] = {pool.submit(task, item): index for index, item in enumerate(items)}
        for future in as_completed(futures):
            gathered.outcomes[futures[future]] = future.result()
            done(futures[future], gathered.outcomes[futures[future]])
    except BrokenProcessPool:
        return [index for index in range(len(items)) if index not in gathered.outcomes]
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
    return []


def _alone(
    task: Callable[[Item], Outcome],
    items: Sequence[Item],
    waiting: list[int],
    prepare: Callable[..., None],
    arguments: tuple[Any, ...],
    done: Callable[[int, Outcome | None], None],
    gathered: Gathered[Outcome],
) -> list[int]:
    """Runs items one after the other in one process until it dies of one; gives those after it."""
    pool = ProcessPoolExecutor(1, initializer=_start, initargs=(prepare, arguments))
    try:
        for position, index in enumerate(waiting):
            try:
                gathered.outcomes[index] = pool.submit(task, items[index]).result()
            except BrokenProcessPool:
                gathered.died.append(index)
                done(index, None)
                return waiting[position + 1 :]
            done(index, gathered.outcomes[index])
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
    return []


def _start(prepare: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    """Begins a worker: Ctrl-C is the parent's to handle, which lets running items end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    prepare(*arguments)
