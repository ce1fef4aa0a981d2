#!/usr/bin/env python3
"""Measures how the time of a check grows with the number of states, and with the size of the function.

On the tide clock with the two references alone, in processor time: a table of states, one of sizes, and the exponents
that fit them best (1.0 is linear). Takes about a minute.
"""

from __future__ import annotations

import math
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

from harness.check_function import Clock, check_function  # noqa: E402 - the path comes first
from harness.config import Scope, load_config  # noqa: E402
from harness.program.model import Function  # noqa: E402
from harness.states.source import ShapedStates  # noqa: E402
from harness.workbench import Limits, Workbench  # noqa: E402

IMAGE = ROOT / "fixtures" / "tideclock" / "bin" / "tideclock-o32-O2.elf"
#: Units: instructions, the lower ends of the classes of functions.
SIZES = (8, 16, 32, 64, 128)
STATES = (100, 200, 400, 800)
_EACH, _FUEL = 8, 20_000


def spent(bench: Workbench, function: Function, states: int) -> tuple[float, float, int]:
    """Processor seconds of the search and of the states, and how many of these were run."""
    start = time.process_time()
    search = bench.search(function)
    searched = time.process_time()
    source = ShapedStates(search.shape)  # without the search, which would go on between the states
    job = bench.job(function, Limits(states, _FUEL, 0, Scope.ABI))
    (row,) = check_function(job, source, Clock())
    return searched - start, time.process_time() - searched, row.states


def exponent(points: Sequence[tuple[float, float]]) -> float:
    """The slope of the line that fits the logarithms of (what grows, seconds) best."""
    xs, ys = ([math.log(point[axis]) for point in points] for axis in (0, 1))
    return statistics.linear_regression(xs, ys).slope


def main() -> None:
    """Prints both tables."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "tally.toml"
        file.write_text(f'[guest]\nimage = "{IMAGE}"\nabi = "o32"\n')
        with Workbench(load_config(file).builds[0]) as bench:
            sizes = [*zip(SIZES, (*SIZES[1:], 1 << 20), strict=True)]
            classes = [
                [one for one in bench.program.functions if low <= one.size // 4 < high][:_EACH] for low, high in sizes
            ]
            middle = classes[len(classes) // 2]
            print(f"{'states':>8} {'seconds':>9} {'a second':>9}   ({len(middle)} functions, the search left out)")
            points = []
            for states in STATES:
                rows = [spent(bench, one, states) for one in middle]
                seconds, ran = sum(row[1] for row in rows), sum(row[2] for row in rows)
                points.append((ran, seconds))
                print(f"{states:>8} {seconds:>9.2f} {ran / seconds:>9.0f}")
            print(f"grows with the power {exponent(points):.2f}\n")
            print(f"{'instructions':>12} {'functions':>9} {'search':>9} {'states':>9}   (median seconds a function)")
            points = []
            for functions in classes:
                rows = [spent(bench, one, 200) for one in functions]
                search, states_of = (statistics.median(row[index] for row in rows) for index in (0, 1))
                size = statistics.mean(one.size // 4 for one in functions)
                points.append((size, search + states_of))
                print(f"{size:>12.0f} {len(functions):>9} {search:>9.3f} {states_of:>9.3f}")
            print(f"grows with the power {exponent(points):.2f}")


if __name__ == "__main__":
    main()
