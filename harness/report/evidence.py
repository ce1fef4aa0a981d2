"""What a check over all opcodes prints and writes: the ledger as a table, as JSON, as Markdown and as a page.

All four say the same: no difference in so many states over so many bins, never "correct".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from rich.console import Console
from rich.text import Text

from harness.errors import UsageError
from harness.evidence import Ledger, OpcodeEvidence, OpcodeVerdict, Section
from harness.report.jsonout import check_document
from harness.report.terminal import print_finding, summary_lines
from harness.report.text import visible

SCHEMA = "tallystick.opcodes/1"

_STYLES = {
    OpcodeVerdict.NO_DIFFERENCE: "green",
    OpcodeVerdict.DIFFERS: "bold red",
    OpcodeVerdict.REFUSED: "yellow",
    OpcodeVerdict.UNTESTED: "yellow",
    OpcodeVerdict.FAULT: "bold magenta",
}
_HEADINGS = ("opcode", "verdict", "probes", "forms", "roles", "states", "bins hit", "note")
_RIGHT = frozenset(("probes", "forms", "roles", "states", "bins hit"))
#: Findings of one opcode that are printed in full.
_SHOWN = 1


def print_ledger(console: Console, ledger: Ledger) -> None:
    """Prints the table of each build, the simplest finding of each opcode that differs, and what was tested."""
    for section in ledger.sections:
        _print_section(console, section)
    for section in ledger.sections:
        for line in section.lines:
            for result in sorted(line.differing, key=lambda r: (r.finding.words if r.finding else 0, r.address))[
                :_SHOWN
            ]:
                if result.finding is not None:
                    print_finding(console, result, result.finding)
    for text in closing_lines(ledger):
        console.print(text)


def closing_lines(ledger: Ledger) -> list[str]:
    """The closing sentences."""
    lines = []
    for section in ledger.sections:
        title = ", ".join(filter(None, (section.build, section.compiler))) or "the translation"
        counts = [f"{section.count(verdict)} {verdict}" for verdict in OpcodeVerdict if section.count(verdict)]
        lines.append(f"{title}: {len(section.lines)} opcodes and idioms: {', '.join(counts)}")
        lines.append(
            f"{title}: {section.bins:,} bins: {section.hit:,} hit, {section.excused:,} that no state counts in, "
            f"{section.missed:,} missed"
        )
    lines += _faults_line(ledger)
    reasons: dict[str, list[str]] = {}
    for name, reason in ledger.unprobed:
        reasons.setdefault(reason, []).append(name)
    lines += [f"without a probe: {' '.join(names)}: {reason}" for reason, names in reasons.items()]
    return lines + summary_lines(ledger.check)[1:]


def _faults_line(ledger: Ledger) -> Iterator[str]:
    """What planted faults showed, over all opcodes: each has the same in every section."""
    by_opcode = {line.name: line.faults for section in ledger.sections for line in section.lines if line.faults}
    if by_opcode:
        found = sum(faults.found for faults in by_opcode.values())
        planted = sum(faults.planted for faults in by_opcode.values())
        yield f"planted faults: {found:,} of {planted:,} found in probes of {len(by_opcode)} opcodes"


def _print_section(console: Console, section: Section) -> None:
    title = ", ".join(filter(None, (section.build, section.compiler)))
    if title:
        console.print(Text(title, style="bold"))
    rows = [_cells(line) for line in section.lines]
    widths = [max(len(row[i]) for row in (_HEADINGS, *rows)) for i in range(len(_HEADINGS))]
    console.print(Text(_padded(_HEADINGS, widths), style="bold"))
    for line, row in zip(section.lines, rows, strict=True):
        text = Text(_padded(row, widths))
        text.stylize(_STYLES[line.verdict], widths[0] + 2, widths[0] + 2 + len(row[1]))
        console.print(text)
    console.print()


def _cells(line: OpcodeEvidence) -> tuple[str, ...]:
    counts = (len(line.forms), len(line.roles))
    hit = f"{line.hit:,}/{line.bins - sum(count for _, count in line.excused):,}"
    numbers = (f"{line.probes}", *map(str, counts), f"{line.states:,}", hit)
    return (line.name, str(line.verdict), *numbers, visible("; ".join(remarks(line))))


def remarks(line: OpcodeEvidence) -> Iterator[str]:
    """What the numbers of a line do not say."""
    if line.differing:
        names = [result.name for result in line.differing]
        yield f"in {len(names)} of {line.probes} probes, first {names[0]}"
    if line.reason:
        yield line.reason
    if line.missed:
        yield f"{_bins(len(line.missed))} missed, first {line.missed[0]}"
    if line.faults:
        yield f"{line.faults.found} of {line.faults.planted} planted faults found"
    for reason, count in line.excused:
        yield f"{_bins(count)}: {reason}"


def _bins(count: int) -> str:
    return f"{count:,} bin{'s' if count != 1 else ''}"


def _padded(cells: tuple[str, ...], widths: list[int]) -> str:
    padded = (
        f"{cell:>{width}}" if heading in _RIGHT else f"{cell:<{width}}"
        for cell, heading, width in zip(cells, _HEADINGS, widths, strict=True)
    )
    return "  ".join(padded).rstrip()


def ledger_document(ledger: Ledger) -> dict[str, Any]:
    """The ledger as a JSON object; ``check`` in it is the object of an ordinary check."""
    return {
        "schema": SCHEMA,
        "sections": [
            {
                "build": section.build,
                "compiler": section.compiler,
                "bins": section.bins,
                "hit": section.hit,
                "excused": section.excused,
                "missed": section.missed,
                "opcodes": [_line_document(line) for line in section.lines],
            }
            for section in ledger.sections
        ],
        "unprobed": dict(ledger.unprobed),
        "check": check_document(ledger.check),
    }


def _line_document(line: OpcodeEvidence) -> dict[str, Any]:
    return {
        "name": line.name,
        "opcodes": list(line.opcodes),
        "verdict": str(line.verdict),
        "reason": line.reason,
        "probes": line.probes,
        "forms": list(line.forms),
        "roles": list(line.roles),
        "states": line.states,
        "bins": line.bins,
        "hit": line.hit,
        "excused": dict(line.excused),
        "missed": list(line.missed),
        "source": line.source,
        "differing": [result.name for result in line.differing],
        "faults": {"planted": line.faults.planted, "found": line.faults.found} if line.faults else None,
    }


def ledger_markdown(ledger: Ledger) -> str:
    """The ledger as Markdown, for a release."""
    return _templates(autoescape=False).get_template("ledger.md.jinja").render(**_context(ledger))


def ledger_page(ledger: Ledger) -> str:
    """The ledger as one HTML page without anything outside of it."""
    return _templates(autoescape=True).get_template("ledger.html.jinja").render(**_context(ledger))


_WRITERS: dict[str, Callable[[Ledger], str]] = {".md": ledger_markdown, ".html": ledger_page}


def require_page(path: Path) -> None:
    """Says before the work what ``write_page`` would say after it.

    Errors: ``UsageError`` for a name that is of neither form.
    """
    if path.suffix not in _WRITERS:
        raise UsageError(str(path), "is no page", got=f"'{path.suffix}'", expected=" or ".join(_WRITERS))


def write_page(ledger: Ledger, path: Path) -> None:
    """Writes Markdown or HTML, as the name of the file says.

    Errors: ``UsageError`` where it cannot be written.
    """
    require_page(path)
    try:
        path.write_text(_WRITERS[path.suffix](ledger), encoding="utf-8")
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None


def _templates(autoescape: bool) -> Environment:
    loader = PackageLoader("harness.report", ".")
    return Environment(
        loader=loader, autoescape=autoescape, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )


def _context(ledger: Ledger) -> dict[str, Any]:
    return {
        "ledger": ledger,
        "closing": closing_lines(ledger),
        "remarks": remarks,
        "no_difference": OpcodeVerdict.NO_DIFFERENCE,
    }
