"""A night or a check as JUnit XML, which CI servers show: a suite for each program, a test case for each function.

What fails the night is a failure, with the report of the command line as its text; what is known, accepted or cannot be
said is skipped with its reason; a fault of the harness and a program that cannot be checked are errors.
"""

from __future__ import annotations

from collections import Counter
from xml.etree import ElementTree as Xml

from harness.nights import Gap, Night, ProgramNight, Status, Subject, Told
from harness.report.nights import finding_message, full_report
from harness.report.text import visible
from harness.results import FunctionResult
from harness.verdicts import Verdict


def night_junit(night: Night) -> str:
    """The whole file; times stand in attributes named ``time`` alone."""
    root = Xml.Element("testsuites", name="tallystick")
    for program in night.programs:
        root.append(_suite(night, program))
    _count(root, list(root.iter("testcase")), night.seconds)
    Xml.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + Xml.tostring(root, encoding="unicode") + "\n"


def _suite(night: Night, program: ProgramNight) -> Xml.Element:
    suite = Xml.Element("testsuite", name=program.name)
    properties = Xml.SubElement(suite, "properties")
    Xml.SubElement(properties, "property", name="seed", value=str(night.seed))
    Xml.SubElement(properties, "property", name="date", value=str(night.date))
    if program.problem:
        case = _case(suite, Subject(program.name, "", "tally.toml", ""), 0.0)
        Xml.SubElement(case, "error", message=_line(program.problem)).text = _text(program.problem)
    told: dict[Subject, list[Told]] = {}
    for one in night.findings:
        if one.key.subject.program == program.name:
            told.setdefault(one.key.subject, []).append(one)
    gaps = {gap.subject: gap for gap in night.gaps}
    seconds = 0.0
    for subject, row in program.rows:
        case = _case(suite, subject, row.seconds)
        _say(case, row, told.pop(subject, []), gaps.get(subject))
        seconds += row.seconds
    for subject, findings in sorted(told.items()):  # shown by a saved case alone
        _say(_case(suite, subject, 0.0), None, findings, None)
    _count(suite, list(suite.iter("testcase")), seconds)
    return suite


def _case(suite: Xml.Element, subject: Subject, seconds: float) -> Xml.Element:
    path = ".".join(filter(None, (subject.program, subject.build)))
    name = f"{subject.function} ({subject.compiler})" if subject.compiler else subject.function
    return Xml.SubElement(suite, "testcase", classname=path, name=_line(name), time=f"{seconds:.3f}")


def _say(case: Xml.Element, row: FunctionResult | None, told: list[Told], gap: Gap | None) -> None:
    failing = [one for one in told if one.fails]
    quiet = [one for one in told if one.status in (Status.KNOWN, Status.UNTRIED)]
    if failing:
        text = "\n\n".join(f"{finding_message(one)}\n\n{full_report(one)}" for one in failing)
        Xml.SubElement(case, "failure", message=_line(finding_message(failing[0]))).text = _text(text)
    elif row is not None and row.verdict is Verdict.HARNESS_ERROR:
        Xml.SubElement(case, "error", message=_line(f"harness-error: {row.reason}"))
    elif quiet:
        Xml.SubElement(case, "skipped", message=_line(finding_message(quiet[0])))
    elif gap is not None:
        said = f"accepted: {gap.accepted}" if gap.accepted else f"{gap.verdict}: {gap.reason}"
        Xml.SubElement(case, "skipped", message=_line(said))


def _count(element: Xml.Element, cases: list[Xml.Element], seconds: float) -> None:
    kinds = Counter(child.tag for case in cases for child in case)
    element.set("tests", str(len(cases)))
    element.set("failures", str(kinds["failure"]))
    element.set("errors", str(kinds["error"]))
    element.set("skipped", str(kinds["skipped"]))
    element.set("time", f"{seconds:.3f}")


def _line(text: str) -> str:
    return visible(text.splitlines()[0]) if text else ""


def _text(text: str) -> str:
    """Several lines, with what XML 1.0 has no place for written as an escape."""
    return "\n".join(visible(line) for line in text.splitlines())
