"""What the verbs of the command line share: options and the progress bar."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from time import monotonic
from types import TracebackType
from typing import Any

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from harness.config import MAX_STATES, Scope
from harness.report.jsonout import require_writable
from harness.report.text import visible

_Command = Callable[..., Any]

#: The room that opens a file tells what is wrong with it.
FILE = click.Path(path_type=Path, readable=False)


def writable(_: click.Context, __: click.Parameter, path: Path | None) -> Path | None:
    """Refuses a file that cannot be written before the work is done that it was to hold."""
    if path is not None:
        require_writable(path)
    return path


json_option = click.option(
    "--json", "json_file", type=FILE, metavar="FILE", callback=writable, help="Write the result to FILE as well."
)
pattern_option = click.option(
    "-k", "pattern", default="", metavar="PATTERN", help="Only functions whose name matches (*, ?, [...])."
)
seed_option = click.option(
    "--seed", type=click.IntRange(0, (1 << 64) - 1), metavar="N", help="Seed of everything random."
)
workers_option = click.option(
    "--workers", type=click.IntRange(1), metavar="N", help="Processes; all processors by default."
)
build_option = click.option("--build", default="", metavar="NAME", help="Only this build of the file.")


def states_option(least: int = 1, meaning: str = "States for each function.") -> Callable[[_Command], _Command]:
    """The option --states, whose number each verb counts in its own way."""
    return click.option("--states", type=click.IntRange(least, MAX_STATES), metavar="N", help=meaning)


def _as_scope(_: click.Context, __: click.Parameter, value: str | None) -> Scope | None:
    return Scope(value) if value else None


scope_option = click.option(
    "--scope",
    type=click.Choice([scope.value for scope in Scope]),
    callback=_as_scope,
    help="Compare what a caller may rely on (abi), or every register (all).",
)


#: Columns that the name of a function may take beside the bar.
_NAME_WIDTH = 24


class ProgressBar:
    """Says how far a check is: a bar on a terminal, elsewhere now and then a line on standard error.

    The lines stay out of standard output, which depends on seed and inputs alone.
    """

    #: Seconds between two lines.
    EVERY = 30.0

    def __init__(self, console: Console) -> None:
        name = TextColumn("{task.description}", markup=False)  # a name may hold anything
        columns = (BarColumn(), MofNCompleteColumn(), TimeElapsedColumn(), name)
        self._progress = Progress(*columns, console=console, transient=True) if console.is_terminal else None
        self._task: Any = None
        self._began = self._last = monotonic()

    def __enter__(self) -> ProgressBar:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self._progress is not None:
            self._progress.stop()

    def told(self, done: int, total: int, name: str) -> None:
        """Shows that one more function is done; the bar's thread starts here, after the workers were forked."""
        if self._progress is None:
            self._line(done, total)
            return
        shown = visible(name)[:_NAME_WIDTH]
        if self._task is None:
            self._progress.start()
            self._task = self._progress.add_task(shown, total=total)
        self._progress.update(self._task, completed=done, description=shown)

    def _line(self, done: int, total: int) -> None:
        now = monotonic()
        if now - self._last >= self.EVERY:
            self._last = now
            click.echo(f"{done} of {total} done after {now - self._began:.0f} s", err=True)
