"""The worker process seen from Python: its start, one call at a time, its death and its successor."""

from __future__ import annotations

import os
import re
import select
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Any

from harness.engines.base import Region
from harness.errors import UsageError
from harness.translated.build import Library
from harness.translated.shared import PENDING, RETURNED, SharedMemory

#: A worker that does not answer is killed after this many times its limit of processor time, and some seconds.
_PATIENCE = 4
_PATIENCE_SECONDS = 3.0

#: A library that is not loaded by then never will be.
_START_SECONDS = 30

#: Bytes of what the C printed that an outcome shows.
_PRINTED = 400


class Answer(Enum):
    """What a call that waits is to do; RUN and CALL answer calls only."""

    GO_ON = b"a"
    LEAVE = b"x"  # come to an end at once
    RUN = b"r"  # run the C's own function, and tell when it has come back
    CALL = b"n"  # call the entry in ``exchange.function`` first, and ask again


@dataclass(frozen=True, slots=True)
class Death:
    """The worker process ended during a call.

    ``status`` is its exit status as ``subprocess`` gives it, None where it had to be killed because it did not answer.
    """

    status: int | None


class Worker:
    """A worker process for one library, started again whenever a call has killed it."""

    def __init__(self, library: Library, word_swapped: bool, memory_base: int, seconds: float) -> None:
        self.owner = os.getpid()
        self._library = library
        self._seconds = seconds
        self._patience = seconds * _PATIENCE + _PATIENCE_SECONDS
        self._memory = SharedMemory(word_swapped, memory_base)
        self._process = _Process(library, self._memory.fd)

    @property
    def exchange(self) -> Any:
        """The cffi ``struct tally_exchange *`` through which registers go in and everything comes out."""
        return self._memory.exchange

    def run(
        self,
        function: int,
        memory: tuple[Region, ...],
        answer: Callable[[], Answer],
        spared: int = -1,
        watched: bool = False,
        allowance: float = 0.0,
    ) -> Death | None:
        """Calls entry ``function`` on ``memory``; the exchange's registers go in and come out.

        Whatever the call does outside, ``answer`` is asked; boundary ``spared`` is called as it is. With ``watched``
        the exchange also says what the C keeps that is not the guest's, for which the call has an ``allowance`` of
        processor time, in seconds. Gives None after a call that ended by itself or was stopped in good order, as
        ``exchange.stop`` says.
        """
        if self._process.busy or not self._process.alive():
            self._process.end()
            self._memory.forget()
            self._process = _Process(self._library, self._memory.fd)
        self._memory.put(memory)
        self.exchange.function = function
        self.exchange.spared = spared & 0xFFFF_FFFF
        self.exchange.watched = watched
        self.exchange.microseconds = max(1, int((self._seconds + allowance) * 1e6))
        self.exchange.stop = PENDING
        death = self._process.call(self._patience, answer)
        if death is None and self.exchange.stop != RETURNED:
            self._memory.settle()
        return death

    @property
    def memory(self) -> SharedMemory:
        """The guest's memory as it is while a call waits."""
        return self._memory

    def regions_after(self) -> tuple[Region, ...]:
        """The regions of the last call as it left them; one that did not change is the same object."""
        return self._memory.regions_after()

    def printed(self) -> str:
        """The first of what the last call wrote to its standard output and error."""
        return self._process.printed()

    def close(self) -> None:
        """Ends the process and frees the shared memory."""
        self._process.end()
        self._memory.close()


class _Process:
    """One life of a worker.

    ``busy`` stays true after a call without an answer: the call killed it, or somebody interrupted the wait.
    """

    def __init__(self, library: Library, memory_fd: int) -> None:
        self.busy = False
        self._owner = os.getpid()
        self._printed = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the process
        request_read, request_write = os.pipe()
        reply_read, reply_write = os.pipe()
        self._requests = os.fdopen(request_write, "wb", buffering=0)
        self._replies = os.fdopen(reply_read, "rb", buffering=0)
        self._answers = select.poll()
        self._answers.register(reply_read, select.POLLIN)
        files = (memory_fd, request_read, reply_write)
        self._child = subprocess.Popen(
            [library.worker, library.path, *map(str, files)],
            stdin=subprocess.DEVNULL,
            stdout=self._printed,
            stderr=self._printed,
            pass_fds=files,
            start_new_session=True,  # an interrupt from the keyboard is for the harness alone
            env={**os.environ, "MALLOC_PERTURB_": "165"},  # fresh heap is never zero by luck
        )
        os.close(request_read)
        os.close(reply_write)
        answered = self._answers.poll(_START_SECONDS * 1000)
        if not answered:
            self._child.kill()
        if not self._replies.read(1):
            status = self._child.wait()
            got = self.printed() or (f"exit status {status}" if answered else f"no end after {_START_SECONDS} s")
            self.end()
            raise UsageError(
                str(library.path),
                f"library compiled with {library.compiler.command} cannot be loaded",
                got=got,
                help="look at what the C does before any call: constructors, libraries that it is linked with",
            )

    def call(self, patience: float, answer: Callable[[], Answer]) -> Death | None:
        """Lets the worker make the call that the exchange describes. Units: ``patience`` in seconds."""
        self.busy = True
        self._requests.write(b"r")
        while answered := self._answers.poll(patience * 1000):
            said = self._replies.read(1)
            if said == b"e":
                self._requests.write(answer().value)
            elif said:
                self.busy = False
                return None
            else:
                break
        if not answered:
            self._child.kill()
        status = self._child.wait()
        return Death(status if answered else None)

    def alive(self) -> bool:
        """Whether the process still waits for calls; the host may have killed it."""
        return not self._answers.poll(0)

    def end(self) -> None:
        """Ends the process; after a fork it belongs to the other copy and is left alone."""
        if self._owner == os.getpid():
            self._child.kill()
            self._child.wait()
        else:
            self._child.returncode = 0
        for file in (self._requests, self._replies, self._printed):
            file.close()

    def printed(self) -> str:
        """The first of what the C wrote, without process numbers, which differ from run to run."""
        text = os.pread(self._printed.fileno(), _PRINTED, 0).decode(errors="replace")
        return re.sub(r"==\d+==", "", text).strip()
