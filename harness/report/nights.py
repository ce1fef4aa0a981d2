"""What a night prints and writes: for a terminal, for scripts as ``tallystick.nightly/1``, for the page of a CI job.

All say the same, and no more than was tested. With one history, corpus and date they are byte-equal for any number of
workers, apart from seconds.
"""

from __future__ import annotations

import errno
import io
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from rich.console import Console
from rich.text import Text

from harness.errors import UsageError
from harness.nights import Gap, KnownEntry, Night, NightRow, Status, Told
from harness.report.jsonout import check_document, result_document
from harness.report.terminal import make_console, print_finding
from harness.report.text import visible
from harness.verdicts import Verdict

SCHEMA = "tallystick.nightly/1"

_STYLES = {
    Status.NEW: "bold red",
    Status.EXPIRED: "bold red",
    Status.STILL: "red",
    Status.FLAKY: "bold yellow",
    Status.KNOWN: "yellow",
    Status.FIXED: "green",
    Status.GONE: "yellow",
    Status.UNTRIED: "yellow",
}

#: What a night's exit status means.
ENDINGS = {
    0: "no difference that is not known",
    1: "something differs that nobody tolerates",
    2: "something for you to change",
    3: "nothing definite: too little was compared",
    4: "a fault of tallystick itself",
}

#: Findings whose whole report a page shows.
_SHOWN = 20


def print_night(console: Console, night: Night) -> None:
    """Prints what has become of each finding, the whole report of those that need one, and what was tested."""
    for one in night.findings:
        line = Text(finding_line(one))
        line.stylize(_STYLES[one.status], 0, len(one.status))
        console.print(line)
        if one.status is Status.STILL and one.case:
            console.print(visible(f"{'':10}tallystick replay {one.case}"))
    if night.findings:
        console.print()
    for one in needs_report(night):
        if one.result is not None and one.result.finding is not None:
            print_finding(console, one.result, one.result.finding)
    for text in closing_lines(night):
        console.print(text)
    console.print(f"{night.seconds:.1f} s")


def finding_line(one: Told) -> str:
    """One finding in a line."""
    return visible(f"{one.status:<8}  {_said(one)}")


def finding_message(one: Told) -> str:
    """One finding in a line that stands alone."""
    return visible(f"{one.status}: {_said(one)}")


def _said(one: Told) -> str:
    since = "" if one.status is Status.NEW else f", since {one.since}"
    why = f": {one.why}" if one.why else ""
    return f"{one.key}{since}{why}"


def needs_report(night: Night) -> tuple[Told, ...]:
    """The findings that nobody has seen in full yet, or that need to be looked at again."""
    return tuple(one for one in night.findings if one.fails and one.status is not Status.STILL)


def closing_lines(night: Night) -> list[str]:
    """The closing sentences, without those that tell of time."""
    lines = [*night.remarks, *(visible(line) for problem in night.problems for line in problem.splitlines())]
    for rerun in night.reruns:
        then = f"{rerun.then.verdict} when it ran again"
        lines.append(visible(f"{rerun.subject}: harness-error: {rerun.first}: {then}"))
    lines += [visible(known_line(entry)) for entry in night.known if _is_worth_a_line(night, entry)]
    lines += list(gap_lines(night.gaps))
    for program in night.programs:
        if program.check is not None:
            lines.append(f"{program.name}: {counts(program.check.count)}, {program.check.compared:,} states compared")
    if night.stored:
        lines.append(f"saved cases run again: {night.stored:,}")
    told = ", ".join(f"{len(night.of(status)):,} {status}" for status in Status if night.of(status))
    lines.append(f"findings: {told or 'none'}")
    if night.interrupted:
        lines.append("interrupted: the night is not whole, and the next one tells what this one found")
    ending = ENDINGS[night.status]
    lines.append(f"night {night.number} of {night.date}, seed {night.seed}: {ending}")
    return lines


def counts(count: Any) -> str:
    """Verdicts with their numbers; ``count`` gives the number of one."""
    return ", ".join(f"{count(verdict):,} {verdict}" for verdict in Verdict if count(verdict)) or "nothing finished"


def _is_worth_a_line(night: Night, entry: KnownEntry) -> bool:
    """Whether an entry is ready, or had nothing to do for another reason than that it was left out tonight."""
    return entry.ready or (not entry.findings and (night.whole or entry.passed > 0))


def known_line(entry: KnownEntry) -> str:
    """What is to be said of an entry of the known findings."""
    head = f"known {entry.about}: {entry.why}: "
    if entry.pruned:
        return f"{head}nothing to tolerate in {entry.passed} nights: removed"
    if entry.ready:
        return f"{head}nothing to tolerate in {entry.passed} nights: ready, --prune-known removes it"
    if entry.passed:
        return f"{head}nothing to tolerate in {entry.passed} night{'' if entry.passed == 1 else 's'}"
    return f"{head}nothing to tolerate, but what it is about was not compared"


def gap_lines(gaps: Iterable[Gap]) -> Iterator[str]:
    """Functions of which nothing definite is said, by what is said of them."""
    reasons: dict[tuple[str, str, str], list[Gap]] = {}
    for gap in gaps:
        said = gap.accepted or gap.reason
        reasons.setdefault((gap.subject.program, "accepted" if gap.accepted else str(gap.verdict), said), []).append(
            gap
        )
    for (program, what, reason), found in reasons.items():
        names = ", ".join(dict.fromkeys(gap.subject.function for gap in found))
        yield visible(f"{program}: {len(found):,} {what}: {reason}: {names}")


def night_document(night: Night) -> dict[str, Any]:
    """The night as a JSON object; ``check`` of each program is the object of an ordinary check."""
    return {
        "schema": SCHEMA,
        "night": night.number,
        "date": str(night.date),
        "seed": night.seed,
        "status": night.status,
        "ending": ENDINGS[night.status],
        "interrupted": night.interrupted,
        "summary": {
            **{str(status): len(night.of(status)) for status in Status},
            **{str(verdict): night.count(verdict) for verdict in Verdict},
            "stored": night.stored,
            "seconds": round(night.seconds, 3),
        },
        "findings": [_finding_document(one) for one in night.findings],
        "known": [
            {
                "about": entry.about,
                "why": entry.why,
                "findings": entry.findings,
                "passed": entry.passed,
                "ready": entry.ready,
                "pruned": entry.pruned,
            }
            for entry in night.known
        ],
        "gaps": [
            {
                "subject": _subject_document(gap),
                "verdict": str(gap.verdict),
                "reason": gap.reason,
                "accepted": gap.accepted,
            }
            for gap in night.gaps
        ],
        "reruns": [
            {"subject": str(one.subject), "first": one.first, "then": str(one.then.verdict)} for one in night.reruns
        ],
        "problems": list(night.problems),
        "remarks": list(night.remarks),
        "programs": [
            {
                "name": program.name,
                "problem": program.problem,
                "check": check_document(program.check) if program.check else None,
            }
            for program in night.programs
        ],
    }


def _finding_document(one: Told) -> dict[str, Any]:
    return {
        "status": str(one.status),
        **one.key.parts(),
        "since": str(one.since),
        "why": one.why,
        "case": one.case,
        "fails": one.fails,
        "result": result_document(one.result) if one.result else None,
    }


def _subject_document(gap: Gap) -> dict[str, str]:
    one = gap.subject
    return {"program": one.program, "build": one.build, "function": one.function, "compiler": one.compiler}


def night_markdown(night: Night) -> str:
    """The night as Markdown, for the page of a CI job."""
    loader = PackageLoader("harness.report", ".")
    made = Environment(loader=loader, autoescape=False, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.filters["cell"] = _cell
    return made.get_template("night.md.jinja").render(
        night=night,
        ending=ENDINGS[night.status],
        statuses=[status for status in Status if night.of(status)],
        reports=[(one, full_report(one)) for one in needs_report(night)[:_SHOWN]],
        left=max(0, len(needs_report(night)) - _SHOWN),
        verdicts=list(Verdict),
        closing=closing_lines(night),
    )


def full_report(one: Told) -> str:
    """The report that the command line gives of a finding."""
    text = io.StringIO()
    if one.result is not None and one.result.finding is not None:
        print_finding(make_console(text), one.result, one.result.finding)
    return text.getvalue().rstrip()


def _cell(text: object) -> str:
    """A text that a guest image may have made up, in a cell of a table."""
    return visible(str(text)).replace("&", "&amp;").replace("<", "&lt;").replace("|", "\\|").replace("`", "'")


def print_history(console: Console, nights: Iterable[NightRow]) -> None:
    """Prints the last nights, a line each."""
    heading = f"{'night':>5}  {'date':10}  {'seed':>10}  {'functions':>9}  {'states':>11}  {'status':>9}  findings"
    console.print(Text(heading, style="bold"))
    for row in nights:
        told = ", ".join(f"{row.told[status]} {status}" for status in Status if status in row.told)
        status = "not ended" if row.status is None else str(row.status)
        numbers = f"{row.number:>5}  {row.date}  {row.seed:>10}  {row.functions:>9,}  {row.states:>11,}  {status:>9}"
        console.print(f"{numbers}  {told}".rstrip())


def write_text(text: str, path: Path) -> None:
    """Writes ``text`` to ``path``, whole or not at all where it is a file of its own.

    Errors: ``UsageError`` where it cannot be written.
    """
    try:
        if path.exists() and not path.is_file():  # a device or a pipe
            path.write_text(text, encoding="utf-8")
            return
        made = path.with_name(f".{path.name}.{os.getpid()}")
        try:
            made.write_text(text, encoding="utf-8")
            made.replace(path)
        finally:
            made.unlink(missing_ok=True)
    except OSError as error:
        reason = os.strerror(error.errno or errno.EIO).lower()
        raise UsageError(str(path), "cannot be written", got=reason) from None
