"""The checks behind the items of the pytest plugin: one function at a time, in a process that stays between items."""

from __future__ import annotations

import datetime
import io
from dataclasses import dataclass

from harness.check import Item, Options, ShapeStudy, check_item, died, opened, prepare
from harness.config import Build
from harness.config.corpus import Corpus, CorpusProgram
from harness.config.known import Known, load_known
from harness.errors import UsageError
from harness.listing import Listed
from harness.nightly.stored import case_key
from harness.nights import FindingKey, Subject, finding_key
from harness.pool import Standing
from harness.report.terminal import make_console, print_finding
from harness.results import FunctionResult
from harness.store.cases import load_case
from harness.verdicts import Verdict


@dataclass(frozen=True, slots=True)
class Verdicts:
    """What is said of one function under all its compilers; at most one of the texts decides, the first that is there.

    ``failure`` is the report of what differs, or what is wrong; ``known`` why all that differs is tolerated; ``gap``
    why nothing definite is said.
    """

    rows: tuple[FunctionResult, ...]
    failure: str = ""
    known: str = ""
    gap: str = ""

    @property
    def states(self) -> int:
        """States run under all compilers."""
        return sum(row.states for row in self.rows)

    @property
    def compared(self) -> int:
        """States compared under all compilers."""
        return sum(row.compared for row in self.rows)


class Checks:
    """What this process of pytest has open."""

    def __init__(self, seed: int | None, states: int | None) -> None:
        self._seed, self._states = seed, states
        self._worker = Standing(prepare)
        self._broken: dict[
            tuple[str, str], str
        ] = {}  # what is wrong with builds, by file and name; empty where nothing

    def close(self) -> None:
        """Ends the worker process."""
        self._worker.close()

    def verdicts(self, corpus: Corpus, program: CorpusProgram, one: Listed) -> Verdicts:
        """Checks one function."""
        broken = self._opened(one.build)
        if broken:
            return Verdicts((), failure=broken)
        options = Options(states=self._states or program.states, seed=self._seed)
        item = Item(one.build, options.limits(one.build), one.function, ShapeStudy())
        done = self._worker.run(check_item, item)
        rows = done.results if done is not None else (died(item),)
        differing = [row for row in rows if row.verdict is Verdict.DIFFER]
        faults = [row for row in rows if row.verdict is Verdict.HARNESS_ERROR]
        why = [self._known(corpus, program, one, row) for row in differing]
        failing = [row for row, known in zip(differing, why, strict=True) if not known]
        if failing or faults:
            return Verdicts(rows, failure="\n\n".join([*map(_report, failing), *map(_fault, faults)]))
        if differing:
            return Verdicts(rows, known="; ".join(dict.fromkeys(why)))
        return Verdicts(rows, gap=_gap(rows, program.accepted(one.build.name, one.name)))

    def _opened(self, build: Build) -> str:
        """Why the build cannot be checked; said in full the first time, and in a line from then on."""
        key = str(build.file), build.name
        if key not in self._broken:
            error = self._worker.run(opened, build)
            self._broken[key] = (error or "").partition("\n")[0]
            return error or ""
        return self._broken[key]

    def _known(self, corpus: Corpus, program: CorpusProgram, one: Listed, row: FunctionResult) -> str:
        """Why the difference of ``row`` is tolerated today; empty where it is not."""
        if row.finding is None:
            return ""
        subject = Subject(program.name, row.build, one.name, row.compiler)
        key = finding_key(subject, row.finding.difference, row.finding.writer, row.address)
        today = datetime.datetime.now(datetime.UTC).date()
        for entry in load_known(corpus.known):
            if not entry.is_expired(today) and entry.covers(key.parts(), _cases(entry, key, program, one)):
                return entry.why()
        return ""


def _cases(entry: Known, key: FindingKey, program: CorpusProgram, one: Listed) -> frozenset[str]:
    """The case that an entry names, if it shows this finding."""
    name = entry.case.removesuffix(".json")
    path = program.config.parent / ".tallystick" / "cases" / f"{name}.json"
    if not name or not path.is_file():
        return frozenset()
    try:
        saved = case_key(
            program.name, load_case(path), {(program.name, one.build.name, one.function.address): one.name}
        )
    except UsageError:  # a damaged case shows nothing; the night tells of it
        return frozenset()
    return frozenset((name,)) if saved == key else frozenset()


def _report(row: FunctionResult) -> str:
    """The report of the command line, and nothing else."""
    text = io.StringIO()
    if row.finding is not None:
        print_finding(make_console(text), row, row.finding)
    return text.getvalue().rstrip()


def _fault(row: FunctionResult) -> str:
    return f"{row.verdict}: {row.name}: {row.reason}"


def _gap(rows: tuple[FunctionResult, ...], accepted: str) -> str:
    """Why nothing definite is said under any compiler; where one says something, the item stands for that."""
    gaps = [row for row in rows if row.verdict in (Verdict.INCONCLUSIVE, Verdict.NOT_RUN)]
    if len(gaps) < len(rows):
        return ""
    said = "; ".join(dict.fromkeys(f"{row.verdict}: {row.reason}" for row in gaps))
    return f"accepted: {accepted} ({said})" if accepted else said
