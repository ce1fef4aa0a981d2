"""What a bisection prints, and its JSON form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from harness.culprits import BisectResult, Culprit
from harness.report.terminal import describe_place, value_lines
from harness.report.text import visible
from harness.verdicts import Verdict

SCHEMA = "tallystick.bisect/1"

#: Names of functions that a line lists.
_SHOWN = 6


def print_bisect(console: Console, results: Sequence[BisectResult]) -> None:
    """Prints each culprit with what showed it, and what was tried."""
    for result in results:
        for number, culprit in enumerate(result.culprits, 1):
            _print_culprit(console, result, number, culprit)
        for line in closing_lines(result):
            console.print(visible(line))
        console.print()


def closing_lines(result: BisectResult) -> list[str]:
    """What was tried under one compiler, and what came of it."""
    where = " in ".join(filter(None, (result.entry, result.build))) + f" under {result.compiler}"
    followed = f"{_count(result.calls, 'call')} of {_count(len(result.functions), 'function')}"
    tried = f"{_count(result.states, 'state')}, {followed}"
    if result.verdict in (Verdict.NOT_RUN, Verdict.INCONCLUSIVE):
        lines = [f"{result.verdict}: {where}: {result.reason}"]
    elif not result.culprits:
        lines = [f"{result.verdict}: {where}: no difference in {tried}"]
    else:
        blamed = ", ".join(culprit.name for culprit in result.culprits)
        lines = [f"{result.verdict}: {where}: {_count(len(result.culprits), 'culprit')}: {blamed}"]
        rest = result.reason or "with these run by the reference, no difference is left"
        lines.append(f"{rest}: {tried}, {_count(result.runs, 'run')} of the C")
    for names, why in (
        (result.unseen, "not told from the callers, being static or hidden in the C"),
        (result.lacking, "run by the reference, as the C lacks them"),
    ):
        if names:
            more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
            lines.append(f"{_count(len(names), 'function')} {why}: {', '.join(names[:_SHOWN])}{more}")
    lines += [f"note: {note}" for note in result.notes]
    legs = ", ".join(f"{leg.name} {leg.version}" for leg in result.legs)
    return [*lines, f"legs {legs}", f"seed {result.seed}, {result.seconds:.1f} s"]


def _print_culprit(console: Console, result: BisectResult, number: int, culprit: Culprit) -> None:
    place = describe_place(culprit.difference)
    head = f"culprit {number}: {culprit.name} at {culprit.address:016x}: {culprit.moment}: {place}"
    console.print(Text(visible(head), style="bold red"))
    width = max(len("together"), *(len(name) for name, _ in culprit.difference.values)) + 2
    for line in value_lines(culprit.difference, width):
        console.print(line)
    console.print(f"  {'seen in':{width}}call {culprit.call} of state {culprit.state}")
    if not culprit.repeats:
        console.print(f"  {'again':{width}}another run of the same went otherwise")
    elif culprit.case:
        console.print(f"  {'again':{width}}tallystick replay {culprit.case}")
        console.print(f"  {'why':{width}}tallystick explain {culprit.case}")
    elif culprit.partners:
        console.print(f"  {'together':{width}}only after {', '.join(culprit.partners)} ran as C")
    elif culprit.lasting:
        console.print(f"  {'meaning':{width}}whatever runs after it on the host computes in another mode")
    else:
        console.print(f"  {'together':{width}}nothing by itself: it depends on what it did in earlier calls")
    console.print()


def bisect_document(results: Sequence[BisectResult]) -> dict[str, Any]:
    """The results as a JSON object."""
    return {"schema": SCHEMA, "results": [_result_document(result) for result in results]}


def _result_document(result: BisectResult) -> dict[str, Any]:
    return {
        "entry": result.entry,
        "build": result.build,
        "compiler": result.compiler,
        "verdict": str(result.verdict),
        "reason": result.reason,
        "states": result.states,
        "calls": result.calls,
        "functions": list(result.functions),
        "runs": result.runs,
        "culprits": [_culprit_document(culprit) for culprit in result.culprits],
        "unseen": list(result.unseen),
        "lacking": list(result.lacking),
        "notes": list(result.notes),
        "legs": [{"name": leg.name, "version": leg.version} for leg in result.legs],
        "seed": result.seed,
        "seconds": round(result.seconds, 3),
    }


def _culprit_document(culprit: Culprit) -> dict[str, Any]:
    return {
        "name": culprit.name,
        "address": f"{culprit.address:016x}",
        "state": culprit.state,
        "call": culprit.call,
        "moment": culprit.moment,
        "kind": str(culprit.difference.kind),
        "where": culprit.difference.where,
        "values": dict(culprit.difference.values),
        "case": culprit.case,
        "partners": list(culprit.partners),
        "lasting": culprit.lasting,
        "repeats": culprit.repeats,
    }


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"
