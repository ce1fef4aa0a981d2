"""Runs the probes of ``faults`` on the bare engine, each in a process of its own: some faults kill, others hang.

One process is started for all of them, and forks for each: ``python -m harness.engines.unicorn_probes`` prints what
they saw as JSON.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from harness.engines.faults import FAULTS, Fault
from harness.engines.unicorn_bare import seen_by_unicorn
from harness.engines.unicorn_runs import BY_HAND
from harness.errors import HarnessError

_SECONDS_EACH, _SECONDS = 5, 120
_LONGEST = 4096  # bytes of what a probe may say


def observe() -> dict[str, str]:
    """What the probe of every fault sees on the installed version."""
    # Ours first, and nothing of the folder the user happens to be in.
    command = [sys.executable, "-P", "-m", "harness.engines.unicorn_probes"]
    path = os.pathsep.join(filter(None, (str(Path(__file__).parents[2]), os.environ.get("PYTHONPATH"))))
    environment = os.environ | {"PYTHONPATH": path}
    try:
        child = subprocess.run(command, capture_output=True, timeout=_SECONDS, check=False, env=environment)
    except subprocess.TimeoutExpired as error:
        raise HarnessError("probes of unicorn", "did not end", expected=f"within {_SECONDS} s") from error
    if child.returncode != 0:
        got = child.stderr.decode(errors="replace")[-500:] or f"exit status {child.returncode}"
        raise HarnessError("probes of unicorn", "did not run", got=got)
    saw: dict[str, str] = json.loads(child.stdout)
    return saw


def seen_in_child(probe: Callable[[], str]) -> str:
    """What ``probe`` sees in a forked process, or how that process ended."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        signal.alarm(_SECONDS_EACH)
        os.write(writing, _guarded(probe).encode()[:_LONGEST])
        os._exit(0)
    os.close(writing)
    with os.fdopen(reading, "rb") as pipe:
        text = pipe.read().decode(errors="replace")
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return "hangs" if os.WTERMSIG(status) == signal.SIGALRM else "kills the process"
    return text


def _guarded(probe: Callable[[], str]) -> str:
    try:
        return probe()
    except Exception as error:  # noqa: BLE001 - whatever another version of the binding raises is what the probe saw
        return f"{type(error).__name__}: {error}"


def _probe(fault: Fault) -> Callable[[], str]:
    data = fault.probe
    return BY_HAND[fault.id] if data is None else lambda: seen_by_unicorn(data)


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    json.dump({fault.id: seen_in_child(_probe(fault)) for fault in FAULTS}, sys.stdout)
