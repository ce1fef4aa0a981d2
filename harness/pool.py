"""Work spread over processes, where a process may die: the item that killed it is told apart from the others.

What a task returns depends on its item alone, so the results are the same for any number of workers.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.connection import Connection
from types import FrameType
from typing import Any, Generic, Self, TypeVar

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


@dataclass(slots=True)
class Gathered(Generic[Outcome]):
    """What came back: outcomes by index of their item, the indexes that killed their process, and whether Ctrl-C came.

    After Ctrl-C items may be in neither: those that ran are stopped at once.
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
    with _processes(workers, prepare, arguments) as processes:
        submit = processes.pool.submit
        try:
            futures: dict[Future[Outcome], int] = {submit(task, item): index for index, item in enumerate(items)}
            for future in as_completed(futures):
                gathered.outcomes[futures[future]] = future.result()
                done(futures[future], gathered.outcomes[futures[future]])
        except BrokenProcessPool:
            return [index for index in range(len(items)) if index not in gathered.outcomes]
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
    with _processes(1, prepare, arguments) as processes:
        for position, index in enumerate(waiting):
            try:
                gathered.outcomes[index] = processes.pool.submit(task, items[index]).result()
            except BrokenProcessPool:
                if processes.interrupted:
                    break
                gathered.died.append(index)
                done(index, None)
                return waiting[position + 1 :]
            done(index, gathered.outcomes[index])
    return []


@dataclass(slots=True)
class _Processes:
    """A pool whose processes end at once when Ctrl-C comes, and when this process ends, be it by SIGKILL.

    They hold the reading end of a pipe whose writing end only this process has: its end is the end of the file.
    """

    pool: ProcessPoolExecutor
    leash: Connection
    hand: Connection
    interrupted: bool = False

    @classmethod
    def of(cls, workers: int, prepare: Callable[..., None], arguments: tuple[Any, ...]) -> Self:
        context = get_context("fork")  # nothing is inherited otherwise
        leash, hand = context.Pipe(duplex=False)
        return cls(ProcessPoolExecutor(workers, context, _start, (leash, hand, prepare, arguments)), leash, hand)

    def close(self) -> None:
        """Waits for what runs, and leaves out what has not begun."""
        self.pool.shutdown(wait=True, cancel_futures=True)
        self.leash.close()
        self.hand.close()


@contextmanager
def _interruptible(processes: _Processes) -> Iterator[None]:
    """Ctrl-C ends the processes, and raises ``KeyboardInterrupt`` at the end of the block.

    Raised at once, it could leave a lock of the pool taken for ever.
    """

    def interrupt(_: int, __: FrameType | None) -> None:
        processes.interrupted = True
        processes.hand.close()

    before = signal.signal(signal.SIGINT, interrupt)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if processes.interrupted:
        raise KeyboardInterrupt


@contextmanager
def _processes(workers: int, prepare: Callable[..., None], arguments: tuple[Any, ...]) -> Iterator[_Processes]:
    """A pool for the time of the block."""
    processes = _Processes.of(workers, prepare, arguments)
    with _interruptible(processes):
        try:
            yield processes
        finally:
            processes.close()


class Standing:
    """One process that stays from item to item, for those who have them one at a time; it begins with the first."""

    def __init__(self, prepare: Callable[..., None], arguments: tuple[Any, ...] = ()) -> None:
        self._prepare, self._arguments = prepare, arguments
        self._processes: _Processes | None = None

    def run(self, task: Callable[[Item], Outcome], item: Item) -> Outcome | None:
        """What ``task`` makes of ``item``; None where it killed its process, and the next item gets a new one."""
        if self._processes is None:
            self._processes = _Processes.of(1, self._prepare, self._arguments)
        with _interruptible(self._processes):
            try:
                return self._processes.pool.submit(task, item).result()
            except BrokenProcessPool:
                self.close()
        return None

    def close(self) -> None:
        """Ends the process."""
        if self._processes is not None:
            self._processes.close()
            self._processes = None


def _start(leash: Connection, hand: Connection, prepare: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    """Begins a worker: Ctrl-C is the parent's to handle."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    hand.close()
    threading.Thread(target=_end_with_parent, args=(leash,), daemon=True).start()
    prepare(*arguments)


def _end_with_parent(leash: Connection) -> None:
    leash.poll(None)
    os._exit(1)
