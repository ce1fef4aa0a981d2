#!/usr/bin/env python3
"""Measures what a call of an external and an access to a device cost on each leg, in calls of a plain function.

Takes about ten seconds.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "harness")]

from outside_project import make  # noqa: E402 - the path comes first

from harness.config import Scope, load_config  # noqa: E402
from harness.engines.base import Engine, MachineState  # noqa: E402
from harness.workbench import Limits, Workbench  # noqa: E402

#: A plain function, and how many events the other ones have in a state whose answers are zeros or drawn.
PLAIN, WITH_CALLS, WITH_DEVICE = "halve", "announce", "signal"
_RUNS, _REPEATS = 200, 5


def seconds(engine: Engine, before: MachineState) -> tuple[float, int]:
    """The best time of one run, and the number of its events."""
    best, events = float("inf"), 0
    for _ in range(_REPEATS):
        start = time.perf_counter()
        for _ in range(_RUNS):
            outcome = engine.run(before, 5000)
        best, events = min(best, (time.perf_counter() - start) / _RUNS), len(outcome.outside)
        assert outcome.after is not None, outcome
    return best, events


def main() -> None:
    """Prints one line for each leg."""
    with tempfile.TemporaryDirectory() as folder, Workbench(load_config(make(Path(folder))).builds[0]) as bench:
        print(f"{'leg':<12}{'plain run':>12}{'a call':>12}{'an access':>12}   (the last two in plain runs)")
        taken: dict[str, dict[str, tuple[float, int]]] = {}
        for name in (PLAIN, WITH_CALLS, WITH_DEVICE):
            (function,) = bench.program.find(name)
            job = bench.job(function, Limits(1, 5000, 0, Scope.ABI))
            before = replace(bench.shape(function).base, draws=5)
            for engine in (*job.references, job.candidates[0].engine):
                engine.load(job.target)
                taken.setdefault(engine.name, {})[name] = seconds(engine, before)
        for leg, times in taken.items():
            plain = times[PLAIN][0]
            ratios = [(spent - plain) / events / plain for spent, events in (times[WITH_CALLS], times[WITH_DEVICE])]
            print(f"{leg:<12}{plain * 1e6:>9.0f} us" + "".join(f"{ratio:>12.2f}" for ratio in ratios))


if __name__ == "__main__":
    main()
