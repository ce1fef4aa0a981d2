"""One night over a corpus: saved cases again, then every function with fresh seeds; results are kept as they come."""

from __future__ import annotations

import datetime
import os
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from glob import escape
from pathlib import Path

from harness.check import Options, check
from harness.config import Scope, load_config
from harness.config.corpus import Corpus, CorpusProgram, load_corpus
from harness.config.known import Known, load_known, prune_known
from harness.errors import UsageError
from harness.listing import listed
from harness.nightly.judging import Before, Seen, judge
from harness.nightly.stored import Names, Stored, Tried, stored_cases, try_again
from harness.nights import FindingKey, Gap, KnownEntry, Night, ProgramNight, Rerun, Subject, Told, finding_key
from harness.results import CheckResult, FunctionResult
from harness.store.cases import load_case
from harness.store.history import History, writing
from harness.verdicts import Verdict

#: Told of each thing that ends: how many are done, of how many, and its name.
Progress = Callable[[int, int, str], None]

#: How often each saved case runs: a verdict that does not repeat is no verdict.
_TIMES = 2


@dataclass(frozen=True, slots=True)
class NightOptions:
    """What the command line adds to the corpus; None and empty leave it as the files say.

    ``date`` is the night's, which gives the seed where there is none; ``prune`` takes known findings that are ready out
    of their file.
    """

    date: datetime.date
    pattern: str = ""
    tag: str = ""
    states: int | None = None
    seed: int | None = None
    scope: Scope | None = None
    workers: int | None = None
    prune: bool = False

    @property
    def night_seed(self) -> int:
        """The seed of the night: the digits of its date, so that it can be read off and typed again."""
        return int(f"{self.date:%Y%m%d}") if self.seed is None else self.seed

    @property
    def processes(self) -> int:
        """How many worker processes there are."""
        return self.workers or os.cpu_count() or 1


def nightly(file: Path, options: NightOptions, progress: Progress | None = None) -> Night:
    """Runs the night of the corpus at ``file``.

    Errors: ``UsageError`` for a corpus, a file of known findings or a history that cannot be used; what is wrong with
    one program is told of in the night, and the others are checked.
    """
    corpus = load_corpus(file)
    programs = corpus.tagged(options.tag)
    known = load_known(corpus.known)
    with writing(corpus.history) as history:
        return _Run(corpus, programs, known, options, history, progress or (lambda done, total, name: None)).night()


class _Run:
    def __init__(
        self,
        corpus: Corpus,
        programs: Sequence[CorpusProgram],
        known: Sequence[Known],
        options: NightOptions,
        history: History,
        progress: Progress,
    ) -> None:
        self._corpus, self._programs, self._known, self._options = corpus, programs, known, options
        self._history, self._progress = history, progress
        self._names: Names = {}
        self._left_out: Names = {}  # why the tally.toml leaves functions out, in the same way
        self._problems: dict[str, str] = {}  # by program
        self._reruns: list[Rerun] = []
        self._interrupted = False
        self._number = 0

    def night(self) -> Night:
        begin = time.perf_counter()
        before, cut_short = self._before(), self._history.cut_short()
        self._number = self._history.begin(self._options.date, self._options.night_seed)
        for program in self._programs:
            self._list(program)
        stored, damaged = self._stored()
        tried = self._replayed(stored)
        programs = tuple(self._check(program) for program in self._programs)
        seen = self._seen(tried, programs)
        told = judge(seen, before, self._known, self._corpus.nightly.ready_after)
        night = Night(
            number=self._number,
            date=self._options.date,
            seed=self._options.night_seed,
            programs=programs,
            findings=told,
            gaps=self._gaps(seen),
            reruns=tuple(self._reruns),
            known=self._known_tonight(told),
            stored=len(tried),
            problems=(*self._problems.values(), *damaged),
            remarks=tuple(
                f"the night of {date} was cut short: its {count:,} results are kept, and what it found is told here"
                for date, count in cut_short
            ),
            interrupted=self._interrupted,
            whole=not self._options.pattern and not self._options.tag,
            seconds=time.perf_counter() - begin,
        )
        if night.interrupted:
            return night
        self._history.end(self._number, told, night.status)
        _remove_doubles(seen)
        return self._pruned(night)

    def _before(self) -> Before:
        return Before(
            open=self._history.open_findings(),
            untold=self._history.untold(),
            fixed=self._history.fixed(),
            cases=self._history.cases(),
            quiet=lambda key: self._history.nights_without([key], [key.subject], datetime.date.min, self._number),
        )

    def _list(self, program: CorpusProgram) -> None:
        """Learns the names of a program's functions; a program that cannot be read is left out and told of."""
        try:
            for one in listed(load_config(program.config)):
                place = program.name, one.build.name, one.function.address
                self._names[place] = one.name
                if one.left_out:
                    self._left_out[place] = one.left_out
        except UsageError as error:
            self._problems[program.name] = f"{program.name}: {error}"

    def _subject(self, program: str, row: FunctionResult) -> Subject:
        return Subject(program, row.build, self._names.get((program, row.build, row.address), row.name), row.compiler)

    # --- saved cases ---

    def _stored(self) -> tuple[tuple[Stored, ...], tuple[str, ...]]:
        stored, damaged = stored_cases([one for one in self._programs if one.name not in self._problems], self._names)
        pattern = self._options.pattern
        return tuple(one for one in stored if not pattern or fnmatchcase(one.case.function, pattern)), damaged

    def _replayed(self, stored: Sequence[Stored]) -> tuple[Tried, ...]:
        """Runs all saved cases; each that could run is kept in the history as it ends."""

        def arrived(one: Tried) -> None:
            if one.rows:
                self._history.record_replays(self._number, [(one.stored.key, one.differs, one.stored.name)])

        return self._again(stored, arrived)

    def _again(self, stored: Sequence[Stored], arrived: Callable[[Tried], None]) -> tuple[Tried, ...]:
        done = 0

        def told(one: Stored) -> None:
            nonlocal done
            done += 1
            self._progress(done, len(stored), one.name)

        if not stored or self._interrupted:
            return ()
        tried, interrupted = try_again(stored, _TIMES, self._options.processes, told, arrived)
        self._interrupted |= interrupted
        return tried

    # --- the check ---

    def _check(self, program: CorpusProgram) -> ProgramNight:
        if self._interrupted or program.name in self._problems:
            return ProgramNight(program.name, None, self._problems.get(program.name, ""))
        try:
            result = self._checked(program, self._options.pattern, "")
        except UsageError as error:
            self._problems[program.name] = f"{program.name}: {error}"
            return ProgramNight(program.name, None, self._problems[program.name])
        self._interrupted |= result.interrupted
        result = self._rerun(program, result)
        subjects = tuple(self._subject(program.name, row) for row in result.functions)
        return ProgramNight(program.name, result, subjects=subjects)

    def _checked(self, program: CorpusProgram, pattern: str, build: str) -> CheckResult:
        """Checks one program; every result is kept in the history as it comes."""
        options = Options(
            pattern=pattern,
            build=build,
            states=self._options.states or program.states,
            seed=self._options.night_seed,
            scope=self._options.scope,
            workers=self._options.processes,
        )

        def arrived(rows: tuple[FunctionResult, ...]) -> None:
            subjects = [self._subject(program.name, row) for row in rows]
            self._history.record(
                self._number, [(one, row, _key(one, row)) for one, row in zip(subjects, rows, strict=True)]
            )

        return check(program.config, options, self._progress, arrived=arrived)

    def _rerun(self, program: CorpusProgram, result: CheckResult) -> CheckResult:
        """Checks functions that were a fault of the harness once more; the second verdict stands, both are told."""
        functions: list[FunctionResult] = []
        for row in result.functions:
            if row.verdict is not Verdict.HARNESS_ERROR or result.interrupted:
                functions.append(row)
                continue
            try:
                again = self._checked(program, escape(row.name), row.build).functions
            except UsageError:  # something changed after the check: what it said stands
                again = (row,)
            same = [one for one in again if one.address == row.address]
            self._reruns += [Rerun(self._subject(program.name, one), row.reason, one) for one in same]
            functions += same
        return replace(result, functions=tuple(functions))

    def _seen(self, tried: tuple[Tried, ...], programs: Sequence[ProgramNight]) -> Seen:
        """What happened tonight; the case of all that was found runs again, for what does not repeat is no verdict."""
        rows = {subject: row for one in programs for subject, row in one.rows}
        fresh = {key: row for subject, row in rows.items() if (key := _key(subject, row)) is not None}
        stored: dict[Path, FindingKey] = {}
        for key, row in fresh.items():
            path = Path(row.finding.case) if row.finding else Path()
            if path.is_file():  # a full disk costs the case, not the finding
                stored[path] = key
        again = self._again([Stored(path, load_case(path), key) for path, key in stored.items()], lambda _: None)
        repeats = {one.stored.key: one for one in again}
        return Seen(self._options.date, tried, rows, fresh, repeats, lambda one: self._is_there(one, rows))

    def _is_there(self, one: Subject, rows: dict[Subject, FunctionResult]) -> bool:
        """Whether the corpus still has a function under a compiler; so it is taken where tonight cannot tell."""
        if all(program.name != one.program for program in self._corpus.programs):
            return False
        if one.program in self._problems or all(program.name != one.program for program in self._programs):
            return True
        build = one.program, one.build
        if all(place[:2] != build or name != one.function for place, name in self._names.items()):
            return False
        compilers = {other.compiler for other in rows if replace(other, compiler=one.compiler) == one}
        return not compilers or one.compiler in compilers

    # --- what has become of it ---

    def _gaps(self, seen: Seen) -> tuple[Gap, ...]:
        """The functions of which nothing definite is said."""
        programs = {one.name: one for one in self._programs}
        gaps = []
        for one, row in seen.rows.items():
            if row.verdict in (Verdict.INCONCLUSIVE, Verdict.NOT_RUN):
                left_out = self._left_out.get((one.program, row.build, row.address), "")
                accepted = left_out or programs[one.program].accepted(one.build, one.function)
                gaps.append(Gap(one, row.verdict, row.reason, accepted))
        return tuple(gaps)

    def _known_tonight(self, told: Sequence[Told]) -> tuple[KnownEntry, ...]:
        """What each entry of the file of known findings did tonight, and since when it has had nothing to do."""
        cases = self._history.cases()
        findings, subjects = self._history.findings(), self._history.subjects()
        entries = []
        for entry in self._known:
            keys = [key for key in findings if entry.covers(key.parts(), cases.get(key, frozenset()))]
            functions = {key.subject for key in keys}
            if not entry.case:
                functions |= {one for one in subjects if entry.is_about(one.program, one.build, one.function)}
            passed = self._history.nights_without(keys, functions, entry.date, self._number)
            ready = passed >= self._corpus.nightly.ready_after
            showing = sum(one.key in keys and one.result is not None for one in told)
            entries.append(KnownEntry(entry.describe(), entry.why(), showing, passed, ready))
        return tuple(entries)

    def _pruned(self, night: Night) -> Night:
        """Takes the entries that are ready out of their file, where that was asked for."""
        gone = frozenset(number for number, entry in enumerate(night.known) if entry.ready)
        if not self._options.prune or not gone:
            return night
        prune_known(self._corpus.known, gone)
        return replace(night, known=tuple(replace(entry, pruned=entry.ready) for entry in night.known))


def _key(subject: Subject, row: FunctionResult) -> FindingKey | None:
    """The key of what a row found; None where it found nothing about the translation."""
    if row.verdict is not Verdict.DIFFER or row.finding is None:
        return None
    return finding_key(subject, row.finding.difference, row.finding.writer, row.address)


def _remove_doubles(seen: Seen) -> None:
    """Removes the cases that the check added tonight for findings that an older case shows as well."""
    shown = {one.stored.key for one in seen.tried if one.differs and not one.wavers}
    old = {one.stored.path.resolve() for one in seen.tried}
    for key, row in seen.fresh.items():
        if key in shown and row.finding is not None and row.finding.case:
            path = Path(row.finding.case).resolve()
            if path not in old:
                path.unlink(missing_ok=True)
