"""What an explanation prints and writes: for a terminal, as Markdown and as JSON, all from the same parts.

The order is fixed: verdict and place, values, culprits, the way there, the state, how to see it again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from harness.errors import UsageError
from harness.explain.model import Causes, Culprit, Executed, Explanation, Surety, Value
from harness.report.terminal import describe_place, event_lines, value_lines
from harness.report.text import visible

SCHEMA = "tallystick.explain/1"

#: Words of memory in a row of the picture.
_ROW = 4

#: A heading, and lines under it; the first part is the title.
_Part = tuple[str, list[str]]


def print_explanation(console: Console, explanation: Explanation) -> None:
    """Prints everything about one case."""
    for heading, lines in parts(explanation):
        console.print(Text(heading, style="bold"))
        for line in lines:
            console.print(f"  {line}")
        console.print()


def print_causes(console: Console, found: Causes) -> None:
    """Prints the causes of a check's findings, the most frequent first, with the simplest case of each."""
    for line in cause_lines(found):
        console.print(line)
    console.print()


def cause_lines(found: Causes) -> Iterator[str]:
    """The causes as text."""
    count = len(found.causes)
    findings = f"{found.looked:,} finding{'s come' if found.looked != 1 else ' comes'}"
    yield f"causes: {findings} of {count:,} cause{'' if count == 1 else 's'}"
    for cause in found.causes:
        kinds = ", ".join(f"{kind} ({number})" if len(cause.kinds) > 1 else kind for kind, number in cause.kinds)
        forms = ", ".join(form for form, _ in cause.forms)
        sure = ", ".join(f"{number} {surety}" for surety, number in cause.sureties)
        yield visible(f"  {len(cause.functions):6,}  {cause.what} {forms}: {kinds or 'wrong'}; {sure}")
        yield visible(f"          simplest: tallystick explain {cause.simplest}")
    for name, why in found.unexplained:
        yield visible(f"          not explained: {name}: {why}")
    if found.left:
        yield f"          {found.left:,} more findings were not looked at"


def causes_document(found: Causes) -> list[dict[str, Any]]:
    """The causes, ready for ``json``."""
    return [
        {**asdict(cause), **{name: dict(getattr(cause, name)) for name in ("forms", "kinds", "sureties")}}
        for cause in found.causes
    ]


def explanation_document(explanation: Explanation) -> dict[str, Any]:
    """The whole explanation, ready for ``json``."""
    document = _hexed(asdict(explanation))
    assert isinstance(document, dict)  # as the explanation is a record
    return {"schema": SCHEMA, **document}


def write_markdown(explanation: Explanation, path: Path) -> None:
    """Writes the same as Markdown to ``path``.

    Errors: ``UsageError`` where it cannot be written.
    """
    (title, first), *rest = parts(explanation)
    texts = [f"# {title}\n", _fenced(first)]
    for heading, lines in rest:
        texts += [f"## {heading}\n", _fenced(lines)]
    try:
        path.write_text("\n".join(texts), encoding="utf-8")
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None


def _fenced(lines: list[str]) -> str:
    return "\n".join(["```text", *lines, "```", ""])


def parts(explanation: Explanation) -> Iterator[_Part]:
    """All that is told, in its fixed order."""
    yield _title(explanation), _values(explanation)
    if explanation.culprits or explanation.how:
        yield _how(explanation), []
    groups = _alike(explanation.culprits)
    for number, (culprit, *others) in enumerate(groups, 1):
        title = _culprit_title(explanation, culprit, number if len(groups) > 1 else 0)
        yield title, [*_culprit(culprit), *map(_other, others)]
    if explanation.slice:
        mark = "?" if any(one.surety is Surety.GUESS for one in explanation.culprits) else ">"
        yield "the way there", [_step(one, mark) for one in explanation.slice]
    if state := list(_state(explanation)):
        yield "the state", state
    if explanation.notes:
        yield "what could not be used", [visible(note) for note in explanation.notes]
    yield "again", [visible(f"tallystick replay {explanation.case}")]


def _step(one: Executed, mark: str) -> str:
    return visible(f"{mark if one.culprit else ' '} {one.address:016x}  {one.text:<28} {one.wrote}".rstrip())


def _title(explanation: Explanation) -> str:
    where = " in ".join(filter(None, (explanation.function, explanation.build)))
    under = f" under {explanation.compiler}" if explanation.compiler else ""
    place = f": {describe_place(explanation.difference)}" if explanation.difference is not None else ""
    return visible(f"{explanation.verdict}: {where}{under}{place}")


def _values(explanation: Explanation) -> list[str]:
    difference = explanation.difference
    if difference is None:
        return []
    width = max(len(name) for name, _ in difference.values) + 2 + (len("all of ") if difference.events else 0)
    lines = [line[2:] for line in (*value_lines(difference, width), *event_lines(difference, width))]
    first, last = difference.values[0][1], difference.values[-1][1]
    try:
        bits = int(first, 16) ^ int(last, 16)
    except ValueError:  # words, or not observed
        return lines
    wrong = [n for n in range(bits.bit_length()) if bits >> n & 1]
    return [*lines, f"{'bits':{width}}{_ranges(wrong)}"] if wrong else lines


def _ranges(numbers: list[int]) -> str:
    """Ascending numbers as ranges, the highest first: ``31-16, 3, 0``."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][1] == number - 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{high}-{low}" if high > low else f"{low}" for low, high in reversed(runs))


def _how(explanation: Explanation) -> str:
    return visible(explanation.how)


def _alike(culprits: Sequence[Culprit]) -> list[list[Culprit]]:
    """Culprits of one opcode in one function together: they are one fault as a rule. Guesses are alternatives."""
    groups: dict[tuple[str, str, int], list[Culprit]] = {}
    for culprit in culprits:
        apart = culprit.address if culprit.surety is Surety.GUESS else 0
        groups.setdefault((culprit.function, culprit.opcode, apart), []).append(culprit)
    return list(groups.values())


def _other(culprit: Culprit) -> str:
    """One more culprit of the same opcode, in one line."""
    shown = f"shown by {culprit.states} of {culprit.of}" if culprit.of else ""
    line = f"{culprit.source.file}:{culprit.source.line}" if culprit.source is not None else ""
    parts = (f"{culprit.address:016x}  {culprit.text}", culprit.kind, shown, line)
    return visible(f"also {'; '.join(filter(None, parts))}")


def _culprit_title(explanation: Explanation, culprit: Culprit, number: int) -> str:
    several = f" {number}" if number else ""
    word = "guess" if culprit.surety is Surety.GUESS else "culprit"
    within = f" in {culprit.function}" if culprit.function != explanation.function else ""
    return visible(f"{word}{several}: {culprit.address:016x}  {culprit.text}{within}")


def _culprit(culprit: Culprit) -> Iterator[str]:
    rows = [("manual", culprit.manual)]
    rows += [(value.where, f"{value.expected}  read") for value in culprit.operands]
    for value in culprit.results:
        rows += [(value.where, f"{value.expected}  should be"), ("", f"{value.actual}  the C"), ("", _marks(value))]
    kinds = "; ".join(filter(None, (culprit.kind, culprit.like)))
    rows += [("class", kinds)] if kinds else []
    rows += [("shown by", f"{culprit.states} of {culprit.of} failing states")] if culprit.of else []
    width = max(len(name) for name, _ in rows) + 2
    yield from (visible(f"{name:{width}}{text}".rstrip()) for name, text in rows if name or text)
    if culprit.source is not None:
        yield visible(f"{'C':{width}}{culprit.source.file}:{culprit.source.line}")
        for line in culprit.source.lines:
            yield visible(f"{'>' if line.marked else ' '} {line.number:6}  {line.text}")


def _marks(value: Value) -> str:
    if len(value.expected) != len(value.actual):
        return ""
    return "".join("^" if a != b else " " for a, b in zip(value.expected, value.actual, strict=True)).rstrip()


def _state(explanation: Explanation) -> Iterator[str]:
    """The shrunk state as a table of registers, and its memory as a small picture."""
    width = max((len(value.where) for value in explanation.registers), default=0) + 2
    for value in explanation.registers:
        yield f"{value.where:{width}}{value.expected}  {value.actual}".rstrip()
    last = -1
    row: list[str] = []
    marks: list[str] = []
    for word in explanation.memory:
        if row and (word.address != last + 4 or len(row) == _ROW):
            yield _row(row, marks)
            row, marks = [], []
        if not row:
            row = [f"{word.address:016x}"]
        row.append(word.value)
        if word.marks:
            marks.append(f"{'' if len(row) == 2 else f'+{4 * (len(row) - 2):x} '}{word.marks}")
        last = word.address
    if row:
        yield _row(row, marks)


def _row(row: list[str], marks: list[str]) -> str:
    return f"{row[0]}  {' '.join(row[1:]):<{9 * _ROW}}  {'; '.join(marks)}".rstrip()


def _hexed(value: Any) -> Any:
    """Addresses as 16 hex digits, everything else as it is."""
    if isinstance(value, dict):
        return {
            key: f"{one:016x}" if key == "address" and isinstance(one, int) else _hexed(one)
            for key, one in value.items()
        }
    if isinstance(value, (list, tuple)):
        return [_hexed(one) for one in value]
    return value
