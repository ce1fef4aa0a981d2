"""The check of a whole ``tally.toml``: every selected function of every build, under every compiler, over processes."""

from __future__ import annotations

import os
import re
import tempfile
import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Protocol

from harness.check_function import Clock, StateSource, check_function, function_seed
from harness.config import Build, Config, Scope, load_config
from harness.errors import UsageError
from harness.pool import run_all
from harness.program.model import Function
from harness.results import CheckResult, FunctionResult, LegInfo
from harness.states.source import ShapedStates
from harness.verdicts import Verdict
from harness.workbench import Limits, Workbench, excluded, selected

#: Told of each function as it ends: how many are done, of how many, and its name.
Progress = Callable[[int, int, str], None]
#: Told of the results of each function as they come, one for each compiler, in the order in which functions end.
Arrived = Callable[[tuple[FunctionResult, ...]], None]


@dataclass(frozen=True, slots=True)
class Options:
    """What the command line adds to the file; None and empty leave it as the file says.

    ``pattern`` is a shell pattern of function names, ``build`` the name of one build, ``workers`` the number of
    processes (all processors by default).
    """

    pattern: str = ""
    build: str = ""
    states: int | None = None
    seed: int | None = None
    scope: Scope | None = None
    workers: int | None = None

    def limits(self, build: Build) -> Limits:
        """The limits of a check of ``build``."""
        check = build.check
        return Limits(
            states=check.states if self.states is None else self.states,
            fuel=check.fuel,
            seed=check.seed if self.seed is None else self.seed,
            scope=check.scope if self.scope is None else self.scope,
        )


class Study(Protocol):
    """What is done with each function: which states it gets, and what is said of it besides.

    It is sent to the workers with each function, so that it must pickle.
    """

    def chosen(self, bench: Workbench, functions: tuple[Function, ...]) -> tuple[Function, ...]:
        """Those of the selected functions that are looked at.

        Errors: ``UsageError`` for a program that is none for this study.
        """

    def source(self, bench: Workbench, function: Function, limits: Limits) -> StateSource:
        """The states of a function, by the limits of the command."""

    def limits(self, source: StateSource, limits: Limits) -> Limits:
        """The limits of its check, by those of the command."""

    def row(self, source: StateSource, result: FunctionResult) -> FunctionResult:
        """Its result after the check."""


@dataclass(frozen=True, slots=True)
class ShapeStudy:
    """The usual one: states in the shape that the function's inputs have."""

    def chosen(self, bench: Workbench, functions: tuple[Function, ...]) -> tuple[Function, ...]:
        """All of them."""
        return functions

    def source(self, bench: Workbench, function: Function, limits: Limits) -> StateSource:
        """States in the function's shape."""
        search = bench.search(function)
        return ShapedStates(search.shape, search)

    def limits(self, source: StateSource, limits: Limits) -> Limits:
        """As they are."""
        return limits

    def row(self, source: StateSource, result: FunctionResult) -> FunctionResult:
        """As it is."""
        return result


@dataclass(frozen=True, slots=True)
class Item:
    """One function of one build, as it is sent to a worker."""

    build: Build
    limits: Limits
    function: Function
    study: Study


@dataclass(frozen=True, slots=True)
class Done:
    """What a worker sends back."""

    results: tuple[FunctionResult, ...]
    timing: dict[str, float]


def check(
    file: Path,
    options: Options,
    progress: Progress | None = None,
    study: Study = ShapeStudy(),
    arrived: Arrived | None = None,
) -> CheckResult:
    """Checks what ``options`` select of the ``tally.toml`` at ``file``.

    Errors: ``UsageError`` for whatever the user must change before anything can run.
    """
    begin = time.perf_counter()
    builds = chosen_builds(load_config(file), options.build)
    legs: list[LegInfo] = []
    items: list[Item] = []
    left_out: list[FunctionResult] = []
    unmatched: UsageError | None = None
    for build in builds:
        with Workbench(build) as bench:
            bench.try_out()
            legs += [leg for leg in bench.legs() if leg not in legs]
            try:
                functions = study.chosen(bench, selected(bench.program, build, options.pattern))
            except UsageError as error:
                unmatched = error
                continue
            for function in functions:
                reason = excluded(build, function)
                if reason:
                    left_out += [_not_run(build, compiler, function, reason) for compiler in bench.compilers()]
                else:
                    items.append(Item(build, options.limits(build), function, study))
    if unmatched is not None and not items and not left_out:
        raise unmatched
    if arrived is not None and left_out:
        arrived(tuple(left_out))
    results, timing, interrupted = _run(items, options.workers or os.cpu_count() or 1, progress, arrived)
    order = {build.name: number for number, build in enumerate(builds)}
    limits = options.limits(builds[0])
    return CheckResult(
        seed=limits.seed,
        scope=str(limits.scope),
        legs=tuple(legs),
        # Python's sort is stable: the compilers of one function keep the order of the file.
        functions=tuple(sorted([*left_out, *results], key=lambda r: (order[r.build], r.address, r.name))),
        seconds=time.perf_counter() - begin,
        timing=tuple(sorted(timing.items())),
        interrupted=interrupted,
        unfinished=len(items) - len({(row.build, row.address) for row in results}),
    )


def chosen_builds(config: Config, name: str) -> tuple[Build, ...]:
    """All builds of a file, or the one that ``name`` names.

    Errors: ``UsageError`` for a name that no build has.
    """
    if not name:
        return config.builds
    found = tuple(build for build in config.builds if build.name == name)
    if found:
        return found
    names = ", ".join(build.name for build in config.builds if build.name) or "no [[build]] in this file"
    raise UsageError(str(config.file), "no build has this name", got=f"'{name}'", expected=names)


def _run(
    items: list[Item], workers: int, progress: Progress | None, arrived: Arrived | None
) -> tuple[list[FunctionResult], dict[str, float], bool]:
    """Runs the items; a function that kills its worker is a fault of the harness, named as such."""
    ended = 0

    def done(index: int, outcome: Done | None) -> None:
        nonlocal ended
        ended += 1
        if arrived is not None:
            arrived((died(items[index]),) if outcome is None else outcome.results)
        if progress is not None:
            progress(ended, len(items), items[index].function.name)

    gathered = run_all(check_item, items, max(1, min(workers, len(items))), prepare, (), done)
    results: list[FunctionResult] = []
    timing: dict[str, float] = {}
    for index, item in enumerate(items):
        if index in gathered.outcomes:
            results += gathered.outcomes[index].results
            for phase, seconds in gathered.outcomes[index].timing.items():
                timing[phase] = timing.get(phase, 0.0) + seconds
        elif index in gathered.died:
            results.append(died(item))
    return results, timing, gathered.interrupted


#: The open workbench of this worker process; functions come build by build, so one at a time is enough.
_bench: Workbench | None = None


def prepare() -> None:
    """Begins a worker with nothing open, whatever its parent had open."""
    global _bench
    _bench = None


def opened(build: Build) -> str:
    """Opens a build in this worker process and tries it out; what the user must change first is given as text."""
    try:
        _opened(build).try_out()
    except UsageError as error:
        return str(error)
    return ""


def _opened(build: Build) -> Workbench:
    """The workbench of a build in this worker process."""
    global _bench
    if _bench is None or _bench.build != build:
        if _bench is not None:
            _bench.close()
        _bench = None
        _bench = Workbench(build)
    return _bench


def check_item(item: Item) -> Done:
    """Checks one function in this worker process."""
    clock = Clock()
    try:
        bench = _opened(item.build)
        source = item.study.source(bench, item.function, item.limits)
        clock.lap("shape")
        job = bench.job(item.function, item.study.limits(source, item.limits))
        results = check_function(job, source, clock)
        return Done(tuple(item.study.row(source, result) for result in results), clock.seconds)
    except UsageError as error:  # something changed after the check began
        return Done((_not_run(item.build, "", item.function, str(error).splitlines()[0]),), clock.seconds)
    except Exception as error:  # noqa: BLE001 - whatever goes wrong with one function is its row, not the end of the run
        details = _write_details(item)
        first_line = str(error).splitlines()[0] if str(error) else ""
        reason = f"{type(error).__name__}: {first_line} (details in {details})"
        return Done((_harness_error(item, reason),), clock.seconds)


#: Letters of a function's name that the name of its file takes.
_FILE_NAME = 100


def _write_details(item: Item) -> Path:
    """Keeps the traceback of the exception at hand in a file named after the function."""
    name = re.sub(r"[^A-Za-z0-9_.-]", "_", f"{item.build.name}-{item.function.name}".lstrip("-"))[:_FILE_NAME]
    seed = function_seed(item.limits.seed, item.build.name, item.function.name)
    text = f"{item}\nseed of the function: {seed}\n\n{traceback.format_exc()}"
    path = item.build.folder / ".tallystick" / "errors" / f"{name}.txt"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError:
        with tempfile.NamedTemporaryFile("w", prefix="tallystick-", suffix=".txt", delete=False) as file:
            file.write(text)
        return Path(file.name)
    return path


def _not_run(build: Build, compiler: str, function: Function, reason: str) -> FunctionResult:
    return FunctionResult(
        name=function.name,
        address=function.address,
        size=function.size,
        verdict=Verdict.NOT_RUN,
        reason=reason,
        build=build.name,
        compiler=compiler,
        instructions_total=function.size // 4,
    )


def died(item: Item) -> FunctionResult:
    """What is said of a function that killed its worker."""
    return _harness_error(item, "the worker process died while it ran this function")


def _harness_error(item: Item, reason: str) -> FunctionResult:
    row = _not_run(item.build, "", item.function, reason)
    return replace(row, verdict=Verdict.HARNESS_ERROR)
