"""What the score of a check prints, and its JSON form ``tallystick.score/1``."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from rich.console import Console
from rich.text import Text

from harness.evidence import Fate, FunctionScore, MutantScore, Score
from harness.report.text import visible

SCHEMA = "tallystick.score/1"

_HEADINGS = ("mutants", "equivalent", "not compiled", "noticed", "survived", "score")

_REACH = {True: "reached", False: "no state that counts comes here", None: "reach not known"}

#: Columns that names are padded to; a longer one pushes the rest of its own row only.
_NAME_WIDTH = 40

#: Columns that either side of a change may take, and those of them before the first difference.
_SIDE, _BEFORE = 100, 40


def print_score(console: Console, score: Score) -> None:
    """Prints a row for each function, each survivor, and the whole."""
    width = min(max((len(visible(one.name)) for one in score.functions), default=0), _NAME_WIDTH)
    titles = [_title(one) for one in score.functions]
    for number, function in enumerate(score.functions):
        if number == 0 or titles[number] != titles[number - 1]:
            console.print(Text(titles[number], style="bold"))
            console.print(Text("  ".join([f"{'function':<{width}}", *_HEADINGS]), style="bold"))
        console.print(Text(_row(function, width)))
    for function in score.functions:
        for mutant in function.mutants:
            if mutant.fate is Fate.SURVIVED:
                for line in survivor_lines(function, mutant):
                    console.print(Text(line))
    console.print()
    for line in closing_lines(score):
        console.print(Text(line))


def closing_lines(score: Score) -> Iterator[str]:
    """The whole in sentences."""
    counts = ", ".join(f"{score.count(fate):,} {fate}" for fate in Fate)
    functions = sum(bool(one.mutants) for one in score.functions)
    yield f"{score.mutants:,} mutants of {functions:,} function{'' if functions == 1 else 's'}: {counts}"
    if score.counted:
        noticed = score.count(Fate.NOTICED)
        yield f"score {_percent(noticed, score.counted)}: {noticed:,} noticed of the {score.counted:,} that could be"
        if noticed < score.counted:
            yield "a survivor is a gap in the states, or a change that means the same: its line decides"
    kinds: dict[str, list[MutantScore]] = {}
    for one in score.functions:
        for mutant in one.mutants:
            kinds.setdefault(mutant.change, []).append(mutant)
    for kind, found in sorted(kinds.items()):
        noticed, counted = _count(found, Fate.NOTICED), _count(found, Fate.NOTICED) + _count(found, Fate.SURVIVED)
        yield f"  {kind:<20}{noticed:,} of {counted:,} noticed"
    unscored = sum(bool(one.unscored) for one in score.functions)
    if unscored:
        yield f"{unscored:,} function{'' if unscored == 1 else 's'} without a score, for the reasons above"
    if score.interrupted:
        yield f"stopped by Ctrl-C: {score.unfinished:,} functions are left out"
    yield f"seed {score.seed}, {score.seconds:.1f} s, {score.mutants / score.seconds:.1f} mutants a second"


def survivor_lines(function: FunctionScore, mutant: MutantScore) -> tuple[str, ...]:
    """A mutant that nothing noticed: where it is, what it changes, and whether it was ever run."""
    reach = _REACH[mutant.reached]
    before, after = _clipped(visible(mutant.before), visible(mutant.after))
    return (
        "",
        f"survived in {visible(function.name)}: {visible(mutant.file)}:{mutant.line}: {mutant.change}, {reach}",
        f"     {before}",
        f"  -> {after}",
    )


def score_document(score: Score) -> dict[str, Any]:
    """The whole object, ready for ``json``."""
    return {
        "schema": SCHEMA,
        "seed": score.seed,
        "summary": {
            "mutants": score.mutants,
            **{str(fate): score.count(fate) for fate in Fate},
            "score": _ratio(score.count(Fate.NOTICED), score.counted),
            "seconds": round(score.seconds, 3),
        },
        "functions": [_function(one) for one in score.functions],
        "interrupted": score.interrupted,
        "unfinished": score.unfinished,
    }


def _title(function: FunctionScore) -> str:
    return visible(", ".join(filter(None, (function.build, function.compiler))))


def _row(function: FunctionScore, width: int) -> str:
    name = f"{visible(function.name):<{width}}"
    if function.unscored:
        return f"{name}  {visible(function.unscored)}"
    counts = [len(function.mutants), *(function.count(fate) for fate in _COLUMNS)]
    cells = [*map(str, counts), _percent(function.count(Fate.NOTICED), function.counted)]
    return "  ".join([name, *(f"{cell:>{len(heading)}}" for cell, heading in zip(cells, _HEADINGS, strict=True))])


_COLUMNS = (Fate.EQUIVALENT, Fate.NOT_COMPILED, Fate.NOTICED, Fate.SURVIVED)


def _percent(noticed: int, counted: int) -> str:
    """Rounded down, so that 100% is said of all only."""
    return f"{100 * noticed // counted}%" if counted else "-"


def _ratio(noticed: int, counted: int) -> float | None:
    return round(noticed / counted, 4) if counted else None


def _count(mutants: list[MutantScore], fate: Fate) -> int:
    return sum(one.fate is fate for one in mutants)


def _clipped(before: str, after: str) -> tuple[str, str]:
    """Both sides round the first place where they differ."""
    same = next((number for number, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), 0)
    start = max(0, same - _BEFORE)

    def side(text: str) -> str:
        end = start + _SIDE
        return ("..." if start else "") + text[start:end] + ("..." if len(text) > end else "")

    return side(before), side(after)


def _function(function: FunctionScore) -> dict[str, Any]:
    return {
        "name": function.name,
        "address": f"{function.address:016x}",
        "build": function.build,
        "compiler": function.compiler,
        "unscored": function.unscored,
        "states": function.states,
        "compared": function.compared,
        "score": _ratio(function.count(Fate.NOTICED), function.counted),
        "mutants": [_mutant(one) for one in function.mutants],
    }


def _mutant(mutant: MutantScore) -> dict[str, Any]:
    return {
        "file": mutant.file,
        "line": mutant.line,
        "change": mutant.change,
        "before": mutant.before,
        "after": mutant.after,
        "fate": str(mutant.fate),
        "difference": mutant.difference,
        "states": mutant.states,
        "reached": mutant.reached,
    }
