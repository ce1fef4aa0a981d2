"""Files named by their content: put in place at once, marked when used, removed when long unused."""

from __future__ import annotations

import fcntl
import hashlib
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

#: Seconds after its last use when a file is removed: thirty days.
_LIFE = 30 * 24 * 3600
_LOCK = ".lock"


def digest(*parts: str | bytes) -> str:
    """A hash of ``parts`` that tells (ab, c) from (a, bc)."""
    total = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        total.update(len(data).to_bytes(8, "big"))
        total.update(data)
    return total.hexdigest()


def keep(made: Path, name: Path) -> None:
    """Puts a finished file in its place at once: nobody ever sees half of it, not even after a power cut."""
    with made.open("rb") as file:
        os.fsync(file.fileno())
    made.replace(name)


def is_kept(name: Path) -> bool:
    """Whether the file is there; if so, it counts as used now."""
    try:
        os.utime(name)
    except FileNotFoundError:
        return False
    except PermissionError:  # another user's file is as good; only the mark of its use is theirs to set
        return True
    return True


@contextmanager
def alone(store: Path) -> Iterator[None]:
    """Waits until no other process works in ``store``; the end of a process, however it comes, ends its turn."""
    lock = os.open(store / _LOCK, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, 0o666)  # another user's serves as well
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield
    finally:
        os.close(lock)


def sweep(store: Path) -> None:
    """Removes what nobody has used for a month; another process may do the same."""
    oldest = time.time() - _LIFE
    for path in store.iterdir():
        try:
            if path.name == _LOCK or path.stat().st_mtime >= oldest:
                continue
            if path.is_dir():  # where a compiler worked that was killed
                shutil.rmtree(path, ignore_errors=True)
            else:
                path.unlink()
        except FileNotFoundError:
            continue
