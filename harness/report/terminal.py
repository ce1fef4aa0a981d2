"""What a check prints: a table for each build and compiler, the findings, and a summary that says what was tested.

Colour only marks; every fact is in the text, so that a file, a pipe and a terminal carry the same lines.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from typing import IO

from rich.console import Console
from rich.text import Text

from harness.report.text import visible
from harness.results import CheckResult, Difference, Finding, FunctionResult, Missed
from harness.verdicts import DifferenceKind, Miss, Verdict

_STYLES = {
    Verdict.AGREE: "green",
    Verdict.DIFFER: "bold red",
    Verdict.INCONCLUSIVE: "yellow",
    Verdict.NOT_RUN: "yellow",
    Verdict.HARNESS_ERROR: "bold magenta",
}

_MEANING = {
    DifferenceKind.REGISTER: "a fault of the translation: the references agree here and the translated C does not",
    DifferenceKind.MEMORY: "a fault of the translation: the references agree here and the translated C does not",
    DifferenceKind.STOP: "a fault of the translation: it ends in another way than the references, which agree",
    DifferenceKind.EVENT: "a fault of the translation: it does something else outside than the references, which agree",
    DifferenceKind.CRASH: "a fault of the translation: it stops the host program where the guest goes on",
    DifferenceKind.HANG: "a fault of the translation: it does not come back in its time where the guest does",
}

_NO_BLAME = "the references disagree, so nothing is said about the translation"

_HEADINGS = ("function", "verdict", "states", "compared", "instructions", "branches", "note")
#: Columns that names are padded to; a longer one pushes the rest of its own row only.
_NAME_WIDTH = 40
#: Events shown before and after one that differs.
_EVENTS_BEFORE, _EVENTS_AFTER = 6, 3
_RIGHT = {"states", "compared", "instructions", "branches"}


class _Console(Console):
    def on_broken_pipe(self) -> None:
        """Lets the rest go nowhere: whoever read has seen enough, and the exit status still tells the result."""
        self.quiet = True
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)


def make_console(file: IO[str] | None = None) -> Console:
    """A console that adds nothing to the text but colour, and that only on a terminal."""
    return _Console(file=file, highlight=False, markup=False, emoji=False, soft_wrap=True)


def print_check(console: Console, result: CheckResult) -> None:
    """Prints everything about one check."""
    tables: dict[tuple[str, str], list[FunctionResult]] = {}
    for function in result.functions:
        tables.setdefault((function.build, function.compiler), []).append(function)
    for (build, compiler), functions in tables.items():
        _print_table(console, build, compiler, functions)
    for function in result.functions:
        if function.finding is not None:
            print_finding(console, function, function.finding)
    for line in summary_lines(result):
        console.print(line)


def print_finding(console: Console, function: FunctionResult, finding: Finding) -> None:
    """Prints one finding in the fixed order: place, values, writer, input, meaning, how to see it again."""
    where = " in ".join(filter(None, (function.name, function.build)))
    under = f" under {function.compiler}" if function.compiler else ""
    head = visible(f"{function.verdict}: {where}{under}: {describe_place(finding.difference)}")
    console.print(Text(head, style=_STYLES[function.verdict]))
    width = max(len("written by"), *(len(name) for name, _ in finding.difference.values)) + 2
    if finding.difference.events:
        width += len("all of ")
    for line in value_lines(finding.difference, width):
        console.print(line)
    for line in event_lines(finding.difference, width):
        console.print(line)
    if finding.writer is not None:
        console.print(f"  {'written by':{width}}{finding.writer.address:016x}  {finding.writer.text}")
    elif finding.difference.loc is not None:
        console.print(f"  {'written by':{width}}no instruction of the guest")
    parts = [f"{part.where} = {part.value}" for part in finding.inputs] or ["what every call starts from"]
    for label, text in zip(["input", *[""] * len(parts)], parts, strict=False):
        console.print(f"  {label:{width}}{text}")
    blame = _MEANING[finding.difference.kind] if function.verdict is Verdict.DIFFER else _NO_BLAME
    console.print(f"  {'meaning':{width}}{blame}")
    if finding.case:
        console.print(f"  {'again':{width}}tallystick replay {finding.case}")
    console.print()


def print_replay(console: Console, result: CheckResult, saved: Difference) -> None:
    """Prints what a saved case says now, and whether that is what was saved."""
    (function,) = result.functions
    if function.finding is None:
        was = f"when it was saved: {describe_place(saved)}"
        if function.verdict is Verdict.AGREE:
            console.print(f"agree: {visible(function.name)}: no difference in this state now; {was}")
        else:
            console.print(f"{function.verdict}: {visible(function.name)}: {visible(function.reason)}; {was}")
        return
    print_finding(console, function, function.finding)
    now = function.finding.difference
    if now == saved:
        console.print("the same as when it was saved")
    else:
        console.print(f"not the same as when it was saved: {describe_place(saved)}")
        for line in value_lines(saved, max(len(name) for name, _ in saved.values) + 2):
            console.print(line)


def describe_place(difference: Difference) -> str:
    """The place of a difference and how much else differs, in words."""
    if difference.kind in (DifferenceKind.CRASH, DifferenceKind.HANG):
        return difference.values[-1][1]
    if difference.kind is DifferenceKind.EVENT:
        return f"event {difference.number}: {difference.where}"
    if difference.kind is DifferenceKind.STOP:
        return f"stop: {difference.values[-1][1]}"
    others = f" ({difference.others:,} more place{'s' if difference.others > 1 else ''})" if difference.others else ""
    kind = "register" if difference.kind is DifferenceKind.REGISTER else f"{difference.kind} at"
    return f"{kind} {difference.where}{others}"


def value_lines(difference: Difference, width: int) -> list[str]:
    """One line a leg, values of equal width under each other, and a line that marks the digits that differ."""
    lines = []
    values = dict(difference.values)
    words = dict(difference.words)
    for name, value in values.items():
        word = f"  in {words[name]}" if name in words else ""
        lines.append(f"  {name:{width}}{visible(value)}{word}")
    first, last = difference.values[0][1], difference.values[-1][1]
    if difference.kind in (DifferenceKind.REGISTER, DifferenceKind.MEMORY) and len(first) == len(last):
        marks = "".join("^" if a != b else " " for a, b in zip(first, last, strict=True))
        lines.append(f"  {'':{width}}{marks}".rstrip())
    return lines


def event_lines(difference: Difference, width: int) -> list[str]:
    """What the first and the last leg did outside, round the event that differs, which is marked."""
    lines = []
    first = max(0, difference.number - 1 - _EVENTS_BEFORE)
    last = difference.number + _EVENTS_AFTER
    for name, events in difference.events[:1] + difference.events[-1:]:
        label = f"all of {name}"
        if first:
            lines.append(f"  {label:{width}}  {first} more")
            label = ""
        for number, event in enumerate(events[first:last], first + 1):
            mark = ">" if number == difference.number else " "
            lines.append(f"  {label:{width}}{mark} {number} {visible(event)}")
            label = ""
        if len(events) < difference.number:
            lines.append(f"  {label:{width}}> nothing more")
        elif len(events) > last:
            lines.append(f"  {'':{width}}  {len(events) - last} more")
    return lines


def summary_lines(result: CheckResult) -> list[str]:
    """The closing sentences; they say no more than was tested."""
    lines = []
    counts = [f"{result.count(verdict):,} {verdict}" for verdict in Verdict if result.count(verdict)]
    lines.append(f"{_plural(len(result.functions), 'function')}: " + (", ".join(counts) or "none finished"))
    legs = ", ".join(f"{leg.name} {leg.version}".strip() for leg in result.legs)
    compared = f"{_plural(result.compared, 'state')} compared on {len(result.legs)} legs ({legs})"
    if not result.compared:
        lines.append("nothing was compared")
    else:
        lines.append(compared if result.count(Verdict.DIFFER) else f"no difference in {compared}")
    if result.discarded:
        reasons = ", ".join(f"{count:,} {reason}" for reason, count in result.discarded)
        lines.append(f"{_plural(sum(count for _, count in result.discarded), 'state')} not compared: {reasons}")
    reached, total = _sums(result.functions, "instructions")
    directions, all_directions = _sums(result.functions, "branches")
    if total:
        lines.append(
            f"{reached:,} of {total:,} instructions and {directions:,} of {all_directions:,} branch directions "
            "were reached; nothing is said about the others"
        )
    if why := [f"{count:,} {miss}" for miss, count in _missed_counts(result).items() if count]:
        lines.append(f"directions not reached: {', '.join(why)}")
    if result.scope == "abi":
        lines.append("scope abi: registers that a caller may not rely on, and the dead stack, were not compared")
    if result.interrupted:
        missing = _plural(result.unfinished, "function")
        lines.append(f"interrupted: {missing} not finished and not in the table")
    lines.append(f"seed {result.seed}, {result.seconds:.1f} s")
    return lines


def missed_text(missed: Sequence[Missed]) -> str:
    """The branch directions that no counted state went, by reason: ``behind another: 80001234 taken, ...``."""
    texts = []
    for why in Miss:
        ways = [(one.address & 0xFFFF_FFFF, one.taken) for one in missed if one.why is why]
        if places := [f"{address:08x} {'taken' if taken else 'not taken'}" for address, taken in ways]:
            texts.append(f"{why}: {', '.join(places)}")
    return "; ".join(texts)


def timing_lines(result: CheckResult) -> list[str]:
    """The share of each phase in the time that the workers spent, largest first."""
    total = sum(seconds for _, seconds in result.timing) or 1.0
    phases = sorted(result.timing, key=lambda pair: -pair[1])
    return [f"{phase:<12}{100 * seconds / total:5.1f} %  {seconds:8.2f} s" for phase, seconds in phases]


def _print_table(console: Console, build: str, compiler: str, functions: Sequence[FunctionResult]) -> None:
    title = ", ".join(filter(None, (build, compiler)))
    if title:
        console.print(Text(title, style="bold"))
    rows = [_row(function) for function in functions]
    widths = [max(len(row[i]) for row in (_HEADINGS, *rows)) for i in range(len(_HEADINGS))]
    widths[0] = min(widths[0], _NAME_WIDTH)
    console.print(Text(_line(_HEADINGS, widths), style="bold"))
    for function, row in zip(functions, rows, strict=True):
        text = Text(_line(row, widths))
        start = max(widths[0], len(row[0])) + 2
        text.stylize(_STYLES[function.verdict], start, start + len(row[1]))
        console.print(text)
    for function in functions:
        for note in function.notes:
            console.print(f"note: {visible(function.name)}: {visible(note)}")
    for function in functions:
        if function.missed:
            console.print(f"not reached: {visible(function.name)}: {missed_text(function.missed)}")
    console.print()


def _row(function: FunctionResult) -> tuple[str, ...]:
    return (
        visible(function.name),
        str(function.verdict),
        f"{function.states:,}",
        f"{function.compared:,}",
        f"{function.instructions_reached}/{function.instructions_total}",
        f"{function.branches_reached}/{function.branches_total}",
        visible("; ".join(_remarks(function))),
    )


def _remarks(function: FunctionResult) -> Iterable[str]:
    if function.reason:
        yield function.reason
    if function.finding is not None:
        yield describe_place(function.finding.difference)
    for reason, count in function.discarded:
        yield f"{count:,} {reason}"


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    padded = (
        f"{cell:>{width}}" if heading in _RIGHT else f"{cell:<{width}}"
        for cell, heading, width in zip(cells, _HEADINGS, widths, strict=True)
    )
    return "  ".join(padded).rstrip()


def _sums(functions: Iterable[FunctionResult], what: str) -> tuple[int, int]:
    rows = list(functions)
    return sum(getattr(f, f"{what}_reached") for f in rows), sum(getattr(f, f"{what}_total") for f in rows)


def _missed_counts(result: CheckResult) -> dict[Miss, int]:
    reasons = [missed.why for function in result.functions for missed in function.missed]
    return {miss: reasons.count(miss) for miss in Miss}


def _plural(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"
