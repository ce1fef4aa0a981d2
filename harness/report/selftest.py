"""What the self-test prints, and its JSON form ``tallystick.selftest/1``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from difflib import get_close_matches
from itertools import groupby
from typing import Any

from rich.console import Console
from rich.text import Text

from harness.errors import UsageError
from harness.results import KnownDifference, Selftest

_STYLES = {"there": "", "gone": "green", "unknown": "bold red"}


def print_selftest(console: Console, result: Selftest) -> None:
    """Prints every known difference as one line, id, state, remedy; then what was looked at, the sum at the end."""
    width = max(len(text) for one in result.differences for text in (one.id, one.group))
    for group, differences in groupby(result.differences, key=lambda difference: difference.group):
        heading = f"{group:<{width + 4}}state    what keeps it out of a check"
        console.print(Text(heading, style="bold"))
        for one in differences:
            console.print(Text(f"  {one.id:<{width}}  {one.state:<7}  {one.remedy}", style=_STYLES[one.state]))
        console.print()
    for abbreviation, title in result.sources:
        count = sum(abbreviation in difference.source for difference in result.differences)
        console.print(f"{abbreviation} ({count:>2}): {title}")
    example = next((one for one in result.differences if one.state == "unknown"), result.differences[0])
    console.print(f"all of one: tallystick selftest {example.id}; of all: --json FILE")
    console.print()
    for line in result.lines:
        console.print(f"{'good' if line.good else 'BAD '}  {line.what}: {line.text}")


def print_difference(console: Console, difference: KnownDifference) -> None:
    """Prints everything about one known difference."""
    lines = {
        "state": difference.state,
        "about": difference.group,
        "rows": difference.rows or "none in particular",
        "when": difference.when,
        "unicorn": difference.does,
        "manual": f"{difference.manual} ({difference.source})",
        "remedy": difference.remedy,
        f"{difference.measured} saw": difference.known,
        "seen here": difference.seen or "nothing",
        "right": difference.right,
        "can go": f"with its remedy, when every version that may be installed sees: {difference.right}",
    }
    console.print(Text(difference.id, style="bold"))
    for name, text in lines.items():
        console.print(f"  {name:<10} {text}")


def difference_named(result: Selftest, name: str) -> KnownDifference:
    """The known difference called ``name``.

    Errors: ``UsageError`` where there is none.
    """
    named = {difference.id: difference for difference in result.differences}
    if name in named:
        return named[name]
    near = ", ".join(get_close_matches(name, named, n=3))
    help_text = f"did you mean {near}?" if near else "`tallystick selftest` lists them"
    raise UsageError("tallystick selftest", "no known difference has this id", got=f"'{name}'", help=help_text)


def selftest_document(result: Selftest) -> dict[str, Any]:
    """The whole object, ready for ``json``."""
    return {
        "schema": "tallystick.selftest/1",
        "lines": [asdict(line) for line in result.lines],
        "differences": _documents(result.differences),
        "sources": dict(result.sources),
    }


def _documents(differences: Sequence[KnownDifference]) -> list[dict[str, str]]:
    return [asdict(difference) for difference in differences]
