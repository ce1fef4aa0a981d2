"""The score of a check: how many small changes of the user's own translated C it notices with its present settings.

The mutants of a function are so many more translations of it: one check runs them all beside the unchanged one, on the
states that it gets anyhow. What is noticed in them is neither made smaller nor kept.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Iterable, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from hypothesis.strategies import SearchStrategy

from harness.check import Options, Progress, ShapeStudy, chosen_builds
from harness.check_function import Clock, StateSource, check_function, function_seed
from harness.config import Build, Translated, load_config
from harness.coverage import Direction
from harness.engines.base import MachineState, Outcome
from harness.engines.translated import Translated as Leg
from harness.errors import UsageError
from harness.evidence import Fate, FunctionScore, MutantScore, Score
from harness.opcodes.mutants import Mutant, mutants, sample, shown, trap, trap_at
from harness.opcodes.score_build import Made, Workshop
from harness.pool import run_all
from harness.program.model import Function
from harness.results import FunctionResult
from harness.tally import Candidate
from harness.translated.build import matching
from harness.translated.c_source import CFile, CFunction
from harness.translated.compiler import CompilerRefusal
from harness.verdicts import Verdict
from harness.workbench import Limits, Workbench, excluded, selected, shown_path

#: Mutants of one function that are checked together, each in a process of its own.
_TOGETHER = 12

#: Seconds of processor time after which a mutant counts as one that never returns, unless the file allows less.
_HANG = 0.2


@dataclass(frozen=True, slots=True)
class _Item:
    """A part of the mutants of one function under one compiler (by its number), as it is sent to a worker."""

    build: Build
    limits: Limits
    function: Function
    compiler: int
    mutants: int
    part: int
    scratch: Path


class _Unscored(Exception):  # noqa: N818 - no error: why a function has no score
    """A function cannot be scored, for this reason."""


def score(file: Path, options: Options, mutants: int, progress: Progress | None = None) -> Score:
    """Scores what ``options`` select of the ``tally.toml`` at ``file``, by so many mutants of each function at most.

    Errors: ``UsageError`` for whatever the user must change before anything can run.
    """
    begin = time.perf_counter()
    builds = chosen_builds(load_config(file), options.build)
    items: list[_Item] = []
    left_out: list[FunctionScore] = []
    unmatched: UsageError | None = None
    with tempfile.TemporaryDirectory(prefix="tallystick-") as scratch:
        for build in builds:
            if build.translated is None:
                raise UsageError(f"{build.file}", "no [translated] table", help="mutants are made of translated C")
            with Workbench(build) as bench:
                bench.try_out()
                try:
                    functions = selected(bench.program, build, options.pattern)
                except UsageError as error:
                    unmatched = error
                    continue
            for function in functions:
                every = _items(build, options.limits(build), function, mutants, Path(scratch))
                reason = excluded(build, function)
                items += [] if reason else every
                left_out += [_without(item, reason) for item in every if reason and not item.part]
        if unmatched is not None and not items and not left_out:
            raise unmatched
        scored, interrupted, unfinished = _run(items, options.workers or os.cpu_count() or 1, progress)
    order = {build.name: number for number, build in enumerate(builds)}
    return Score(
        seed=options.limits(builds[0]).seed,
        functions=tuple(sorted([*left_out, *scored], key=lambda one: (order[one.build], one.address, one.name))),
        seconds=time.perf_counter() - begin,
        interrupted=interrupted,
        unfinished=unfinished,
    )


def _items(build: Build, limits: Limits, function: Function, mutants: int, scratch: Path) -> list[_Item]:
    """The work on one function: for each compiler, as many parts as its mutants may need."""
    compilers = range(len(build.translated.compilers)) if build.translated else ()
    parts = range(-(-mutants // _TOGETHER))
    return [_Item(build, limits, function, number, mutants, part, scratch) for number in compilers for part in parts]


def _run(items: list[_Item], workers: int, progress: Progress | None) -> tuple[list[FunctionScore], bool, int]:
    """Runs the items; the scores by function, whether Ctrl-C came, and how many functions it left out."""
    ended = 0

    def done(index: int, _: FunctionScore | None) -> None:
        nonlocal ended
        ended += 1
        if progress is not None:
            progress(ended, len(items), items[index].function.name)

    gathered = run_all(_score_item, items, max(1, min(workers, len(items))), _prepare, (), done)
    scores: dict[tuple[str, int, int], FunctionScore] = {}
    unfinished = set()
    for index, item in enumerate(items):
        key = (item.build.name, item.function.address, item.compiler)
        if index in gathered.died:
            found = _without(item, "the worker process died while it ran this function", fault=True)
        elif index in gathered.outcomes:
            found = gathered.outcomes[index]
        else:
            unfinished.add(key)
            continue
        known = scores.get(key)
        if known is None or found.fault:
            scores[key] = found
        elif not known.fault:
            scores[key] = replace(known, mutants=(*known.mutants, *found.mutants))
    whole = [one for key, one in scores.items() if key not in unfinished]
    return whole, gathered.interrupted, len(unfinished)


class _Opened:
    """What a worker process keeps open: the workbench of one build, and its C files as far as they were read."""

    def __init__(self, build: Build) -> None:
        self.bench = Workbench(build)
        self._files: dict[Path, CFile] = {}

    def function(self, translated: Translated, name: str) -> CFunction:
        """The one function ``name`` of the C."""
        build = self.bench.build
        sources = matching(translated.sources, build.folder, f"{build.file} [translated] sources")
        found = [one for path in sources for one in self._functions(path, name)]
        if not found:
            raise _Unscored(f"no definition of {name} is seen in the sources: is it made by a macro?")
        if len(found) > 1:
            raise _Unscored(f"{name} is defined {len(found)} times in the sources")
        return found[0]

    def _functions(self, path: Path, name: str) -> Iterable[CFunction]:
        if path not in self._files:
            text = path.read_bytes()
            if name.encode() not in text:  # to search it is much less work than to read it
                return ()
            self._files[path] = CFile(path, text)
        return (one for one in self._files[path].functions if one.name == name)


_opened: _Opened | None = None


def _prepare() -> None:
    """Begins a worker with nothing open, whatever its parent had open."""
    global _opened
    _opened = None


def _score_item(item: _Item) -> FunctionScore:
    """Scores one part of a function's mutants in this worker process."""
    global _opened
    try:
        if _opened is None or _opened.bench.build != item.build:
            if _opened is not None:
                _opened.bench.close()
            _opened = _Opened(item.build)
        with tempfile.TemporaryDirectory(dir=item.scratch) as scratch:
            return _Scoring(item, _opened, Path(scratch)).score()
    except _Unscored as reason:
        return _without(item, str(reason))
    except (UsageError, OSError) as error:  # something changed after the work began
        return _without(item, str(error).splitlines()[0])
    except Exception as error:  # noqa: BLE001 - whatever goes wrong with one function is its row, not the end of the run
        return _without(item, f"{type(error).__name__}: {error}".splitlines()[0], fault=True)


def _without(item: _Item, reason: str, fault: bool = False) -> FunctionScore:
    translated = item.build.translated
    compiler = translated.compilers[item.compiler] if translated else ""
    return FunctionScore(
        item.function.name, item.function.address, item.build.name, compiler, unscored=reason, fault=fault
    )


class _Scoring:
    """One part of the mutants of one function: made, checked, told apart."""

    def __init__(self, item: _Item, opened: _Opened, scratch: Path) -> None:
        translated = item.build.translated
        assert translated is not None  # `score` has looked
        self._item = item
        self._bench = opened.bench
        library = self._bench.libraries[item.compiler]
        if reason := library.missing.get(item.function.address):
            raise _Unscored(reason)
        name = self._bench.translations[item.compiler].c_name(item.function)
        if not name:
            raise _Unscored("the C has no function of its own for it")
        self._function = opened.function(translated, name)
        try:
            self._shop = Workshop(translated, library, self._function, scratch)
        except CompilerRefusal as refusal:
            raise _Unscored(f"its file does not compile alone: {refusal.words.strip().splitlines()[0]}") from None
        hurried = translated.model_copy(update={"seconds": min(translated.seconds, _HANG)})
        self._hurried = replace(item.build, translated=hurried)

    def score(self) -> FunctionScore:
        """The score of this part."""
        item = self._item
        seed = function_seed(item.limits.seed, item.build.name, item.function.name)
        chosen = sample(mutants(self._function), item.mutants, seed)
        if not chosen:
            raise _Unscored("its C has nothing to change")
        chosen = chosen[item.part * _TOGETHER : (item.part + 1) * _TOGETHER]
        if not chosen:  # it has less than was asked for, all of them in earlier parts
            return _without(item, "")
        fates = {mutant: self._made(mutant) for mutant in chosen}
        ready = {mutant: made for mutant, made in fates.items() if isinstance(made, Made)}
        source = _Recorded(ShapeStudy().source(self._bench, item.function, item.limits))
        results = self._checked(source, [self._shop.make(trap(self._function)), *ready.values()])
        first = self._require_sound(results)
        noticed = dict(zip(ready, results[2:], strict=True))
        survivors = [mutant for mutant, result in noticed.items() if result.finding is None]
        for mutant in survivors:
            if self._shop.is_equivalent(mutant, ready[mutant]):
                fates[mutant] = Fate.EQUIVALENT
        survivors = [mutant for mutant in survivors if fates[mutant] is not Fate.EQUIVALENT]
        reached = self._reached(survivors, _Given(source.states))
        return FunctionScore(
            item.function.name,
            item.function.address,
            item.build.name,
            first.compiler,
            tuple(self._told(one, fates[one], noticed.get(one), reached.get(one)) for one in chosen),
            first.states,
            first.compared,
        )

    def _made(self, mutant: Mutant) -> Made | Fate:
        """The mutant as a library, or what became of it before."""
        try:
            made = self._shop.make(mutant)
        except CompilerRefusal:
            return Fate.NOT_COMPILED
        return Fate.EQUIVALENT if made.code == self._shop.unchanged.code else made

    def _checked(self, source: StateSource, changed: Sequence[Made]) -> tuple[FunctionResult, ...]:
        """The results of the unchanged library, made in the same way, and of the changed ones."""
        item = self._item
        job = self._bench.job(item.function, item.limits)
        with ExitStack() as legs:
            unchanged = legs.enter_context(closing(Leg(item.build, self._shop.unchanged.library)))
            hurried = [legs.enter_context(closing(Leg(self._hurried, made.library))) for made in changed]
            candidates = [Candidate(leg.name, leg) for leg in (unchanged, *hurried)]
            job = replace(job, candidates=candidates, save=lambda *_: "", writer=lambda *_: None)
            return check_function(job, source, Clock())

    def _require_sound(self, results: Sequence[FunctionResult]) -> FunctionResult:
        """The result of the unchanged function, where it and the trapped one say that mutants can be judged."""
        unchanged, trapped = results[:2]
        if unchanged.finding is not None:
            difference = unchanged.finding.difference
            raise _Unscored(f"differs as it is, in {difference.where}: mend that first")
        if not unchanged.compared:
            raise _Unscored(f"{unchanged.verdict}: {unchanged.reason}")
        if trapped.verdict is not Verdict.DIFFER:
            raise _Unscored(f"calls of it do not come to {self._function.name} in {self._function.file.path.name}")
        return unchanged

    def _reached(self, survivors: Sequence[Mutant], source: _Given) -> dict[Mutant, bool]:
        """Whether a state that counts comes to what each survivor changes: a trap there is noticed."""
        traps: dict[Mutant, Made] = {}
        for mutant in survivors:
            try:
                traps[mutant] = self._shop.make(trap_at(self._function, mutant.start))
            except CompilerRefusal:
                continue
        results = self._checked(source, list(traps.values()))[1:] if traps else ()
        return {mutant: one.finding is not None for mutant, one in zip(traps, results, strict=True)}

    def _told(
        self, mutant: Mutant, made: Made | Fate, result: FunctionResult | None, reached: bool | None
    ) -> MutantScore:
        file = self._function.file
        lines = shown(file.text, mutant)
        told = MutantScore(
            *(shown_path(file.path), lines.line, str(mutant.operator), lines.before, lines.after),
            fate=made if isinstance(made, Fate) else Fate.SURVIVED,
            reached=reached,
        )
        if result is None or result.finding is None:
            return told
        kind = str(result.finding.difference.kind)
        return replace(told, fate=Fate.NOTICED, difference=kind, states=result.states)


@dataclass(slots=True)
class _Given:
    """States that are there already; where the world outside answers, its answers are drawn anew."""

    states: list[MachineState]
    drafts: SearchStrategy[Any] | None = None

    def opening(self, states: int) -> Iterable[MachineState]:
        return self.states[:states]

    def family(self, draft: Any) -> Iterable[MachineState]:
        return ()

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        pass

    def base_for(self, before: MachineState) -> MachineState:
        return before

    def impossible(self) -> frozenset[Direction]:
        return frozenset()


@dataclass(slots=True)
class _Recorded:
    """The states of another source as an ordinary check of one translation gets them; those that count are kept.

    The other source is told once of each state, of the unchanged translation, which comes first. A state that shows a
    difference is not made smaller: it is its own base.
    """

    source: StateSource
    states: list[MachineState] = field(default_factory=list)
    last: MachineState | None = None

    @property
    def drafts(self) -> SearchStrategy[Any] | None:
        return self.source.drafts

    def opening(self, states: int) -> Iterable[MachineState]:
        return self.source.opening(states)

    def family(self, draft: Any) -> Iterable[MachineState]:
        return self.source.family(draft)

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        if self.last is before:
            return
        self.last = before
        self.states += [] if discarded else [before]
        self.source.judged(before, discarded, outcome)

    def base_for(self, before: MachineState) -> MachineState:
        return before

    def impossible(self) -> frozenset[Direction]:
        return self.source.impossible()
