"""Finds the functions of the C that are to blame for what goes wrong below an entry.

Each state is run in the reference once, as a record of calls (``record``). The C runs beside it (``follow``); where it
leaves the record, the function whose own code ran last is to blame, because everything that it was given was right. It
is then run by the reference, and the C goes on without it: the next departure is another fault. What the guest cannot
see may still have been wrong before: a blamed call that shows nothing by itself needs partners, which are found by
delta debugging over the functions that ran before it.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from harness.abi import RA
from harness.bisect.follow import Departure, Followed, Plan, follow
from harness.bisect.record import Event, Record, Way, record
from harness.bisect.smallest import smallest
from harness.bisect.uncover import uncovered
from harness.check import Options, chosen_builds
from harness.check_function import Clock, check_function, run_candidate, run_references
from harness.compare import Result
from harness.config import Build, Calls, load_config
from harness.culprits import BisectResult, Culprit
from harness.engines.base import RETURN_ADDRESS, MachineState, Outcome
from harness.engines.guest import Guest
from harness.engines.translated import Translated
from harness.errors import UsageError
from harness.program.model import Function
from harness.replaying import function_of
from harness.results import Difference, Finding
from harness.states.shape import Search
from harness.states.source import ShapedStates
from harness.store.cases import load_case, recorded_state
from harness.tally import Candidate
from harness.translated.build import Library
from harness.verdicts import DifferenceKind, Verdict
from harness.workbench import Limits, Workbench

#: States of the entry, where nobody says how many.
STATES = 16


def bisect(file: Path, entry: str, options: Options, case: Path | None = None) -> tuple[BisectResult, ...]:
    """One result for each build that has the entry, and each compiler.

    With a saved ``case`` of the entry its state comes first, and only its build is looked at.

    Errors: ``UsageError`` for whatever the user must change.
    """
    saved = load_case(case) if case is not None else None
    results: list[BisectResult] = []
    for build in chosen_builds(load_config(file), saved.build if saved is not None else options.build):
        with _followed(build) as bench:
            (function, *others) = bench.program.find(entry)
            if others:
                names = ", ".join(one.name for one in (function, *others[:3]))
                raise UsageError(str(build.file), "the entry must be one function", got=f"'{entry}': {names}")
            first: list[MachineState] = []
            if case is not None and saved is not None:
                about = function_of(bench, saved, case)
                if about != function:
                    raise UsageError(str(case), "is a case of another function", got=about.name, expected=function.name)
                first = [recorded_state(saved.before, bench.program.regions)]
            limits = replace(options.limits(build), states=options.states or (1 if first else STATES))
            results += _Entry(bench, function, limits, first).results()
    return tuple(results)


def _followed(build: Build) -> Workbench:
    """A workbench on which all calls of the C can be followed, as far as it lets them.

    Errors: ``UsageError`` for C that cannot be loaded, or where there is none.
    """
    if build.translated is None:
        raise UsageError(str(build.file), "has no [translated] table", help="there is no C to find fault with")
    asked = replace(build, check=build.check.model_copy(update={"calls": Calls.ISOLATED}))
    bench = Workbench(asked)
    if any(library.missing or library.unseen for library in bench.libraries):  # a static one may be gone altogether
        shown = uncovered(asked, build.translated, bench.program.functions)
        if shown is not None:
            bench.close()
            bench = Workbench(shown)
    bench.try_out()
    return bench


class _Entry:
    """The entry of one build, with the states that are tried."""

    def __init__(self, bench: Workbench, function: Function, limits: Limits, first: Sequence[MachineState]) -> None:
        self.bench = bench
        self._first = first
        self.function = function
        self.limits = limits
        self.outside = bench.around.for_calls(bench.program)
        self.target = replace(bench.program.target(function, bench.fr), outside=self.outside)
        self.guest = Guest(bench.fr, self.outside)

    def results(self) -> Iterator[BisectResult]:
        """One for each compiler."""
        states = self._states()
        for library, leg in zip(self.bench.libraries, self.bench.translations, strict=True):
            yield _Bisection(self, library, leg, states).run()

    def _states(self) -> list[MachineState]:
        """States of the entry that count: both references come back from them with the same, and nothing is open."""
        wanted = self.limits.states - len(self._first)
        if wanted <= 0:
            return list(self._first)
        source = _Keeping(self.bench.search(self.function))
        limits = replace(self.limits, states=wanted)
        job = replace(self.bench.job(self.function, limits), target=self.target, candidates=())
        check_function(job, source, Clock())
        return [*self._first, *source.kept]

    def record(self, before: MachineState, told: frozenset[int]) -> Record:
        """The calls of one run of the reference."""
        program = self.bench.program
        extents = {one.address: one.end for one in program.functions}
        self.guest.place(program.code, before)
        return record(self.guest, before, self.function.address, self.limits.fuel, extents, told, self.bench.abi)


class _Keeping(ShapedStates):
    """A source of states that keeps those that were compared."""

    def __init__(self, search: Search) -> None:
        super().__init__(search.shape, search)
        self.kept: list[MachineState] = []

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        """Keeps what counts; see ``ShapedStates``."""
        if not discarded:
            self.kept.append(before)
        super().judged(before, discarded, outcome)


class _Bisection:
    """The search under one compiler."""

    def __init__(self, entry: _Entry, library: Library, leg: Translated, states: list[MachineState]) -> None:
        self._entry = entry
        self._bench = entry.bench
        self._library = library
        self._leg = leg
        self._states = states
        program = self._bench.program
        self._functions = {one.address: one for one in program.functions}
        self._names = {one.address: one.name for one in program.functions}
        outside = entry.outside.boundaries if entry.outside is not None else {}
        lacking = {one.address for one in program.functions if leg.c_name(one) in library.externals}
        told = (library.entries.keys() | lacking) & library.boundaries.keys() - library.unseen - outside.keys()
        self._told = frozenset(told & self._functions.keys())
        self._culprits: dict[int, Culprit] = {}
        self._called: dict[int, None] = {}
        self._calls = self._runs = 0
        self._notes: list[str] = []
        self._unexplained = ""

    def run(self) -> BisectResult:
        """The whole search."""
        begin = time.perf_counter()
        missing = self._library.missing.get(self._entry.function.address, "")
        if missing or self._entry.function.address not in self._told:
            return self._result(Verdict.NOT_RUN, missing or "calls of it cannot be told in the C", begin)
        tried = 0
        for number, before in enumerate(self._states, 1):
            made = self._entry.record(before, self._told)
            if made.ended:
                self._notes.append(f"state {number} is left out: {made.ended} in the reference")
                continue
            tried += 1
            self._calls += sum(event.way is Way.ENTER for event in made.events)
            self._called |= dict.fromkeys(made.called)
            self._explain(number, made)
            if self._unexplained:
                break
        if self._culprits or self._unexplained:
            return self._result(Verdict.DIFFER, self._unexplained, begin)
        reason = "" if tried else "no state came to its end in the reference with nothing open"
        return self._result(Verdict.AGREE if tried else Verdict.INCONCLUSIVE, reason, begin)

    def _explain(self, state: int, made: Record) -> None:
        """Adds culprits until the C, without them, keeps to the record."""
        while True:
            followed = self._follow(made)
            bent = next((one for one in followed.bent if one not in self._culprits), None)
            if bent is not None:
                self._blame_control(state, made, bent, *followed.bent[bent])
                continue
            departure = followed.departure
            if departure is None:
                return
            if departure.function in self._culprits:
                self._unexplained = f"{self._names[departure.function]} is run by the reference, and still differs"
                return
            repeats = self._follow(made).departure == departure
            self._blame(state, made, departure, followed, repeats)
            if not repeats:
                self._unexplained = "another run of the same goes otherwise: the C depends on what no state holds"
                return

    def _follow(self, made: Record, more: Iterable[int] = ()) -> Followed:
        """One run of the C in which the reference runs all culprits so far, and ``more``."""
        self._runs += 1
        self._leg.load(self._entry.target)
        references = frozenset((*self._culprits, *more))
        return follow(self._leg, Plan(made, self._told, self._names, references), self._entry.limits.fuel)

    def _blame(self, state: int, made: Record, departure: Departure, followed: Followed, repeats: bool) -> None:
        address, entered = departure.function, _entered(made, departure.function, departure.event)
        case = self._cut_out(made, departure)
        partners: tuple[str, ...] = ()
        if repeats and not case:
            partners = tuple(self._names[one] for one in self._partners(made, departure, followed))
        self._culprits[address] = Culprit(
            self._names[address],
            address,
            state,
            sum(event.way is Way.ENTER for event in made.events[: entered + 1]),
            departure.moment,
            departure.difference,
            case,
            partners,
            repeats=repeats,
        )

    def _blame_control(self, state: int, made: Record, address: int, before: int, after: int) -> None:
        """A function that leaves the host's rounding mode or exception masks changed is to blame for that alone."""
        values = (("reference", f"{before:08x}"), (self._leg.name, f"{after:08x}"))
        difference = Difference(DifferenceKind.STOP, "the host's floating-point control", values)
        self._culprits[address] = Culprit(
            self._names[address],
            address,
            state,
            next(n for n, event in enumerate(_entries(made), 1) if event.function == address),
            "while it runs",
            difference,
            lasting=True,
        )

    def _partners(self, made: Record, departure: Departure, followed: Followed) -> list[int]:
        """The fewest functions that must run as C before for ``departure`` to show."""

        def enough(replaced: Sequence[int]) -> bool:
            again = self._follow(made, replaced).departure
            return again is None or (again.function, again.event) != (departure.function, departure.event)

        ran = [one for one in followed.entered if one != departure.function]
        hiding = [one for one in ran if one in followed.hiding]
        for candidates in (hiding, ran):
            if candidates and enough(candidates):
                return smallest(candidates, enough)
        return []

    def _cut_out(self, made: Record, departure: Departure) -> str:
        """The path of the blamed call as a case of its own; empty where it shows nothing by itself."""
        before = _state_at(made, _entered(made, departure.function, departure.event))
        function = self._functions[departure.function]
        job = self._bench.job(function, self._entry.limits)
        candidate = Candidate(self._library.compiler.command, self._leg)
        for engine in (*job.references, self._leg):
            engine.load(job.target)
        clock = Clock()
        references, decided = run_references(job, before, clock)
        judged = run_candidate(job, before, references, decided, candidate, clock)
        if judged.result is not Result.DIFFER or judged.difference is None:
            return ""
        finding = Finding(judged.difference, job.writer(before, judged.difference), (), 0, case="")
        try:
            return job.save(before, finding, candidate)
        except UsageError as error:  # a folder that cannot be written must not cost what was found
            self._notes.append(f"the case of {function.name} is not kept: {error}")
            return ""

    def _result(self, verdict: Verdict, reason: str, begin: float) -> BisectResult:
        bench = self._bench
        called = [one for one in self._called if one != self._entry.function.address]
        told = [one for one in called if one in self._told]
        return BisectResult(
            entry=self._entry.function.name,
            build=bench.build.name,
            compiler=self._library.compiler.command,
            verdict=verdict,
            reason=reason,
            states=len(self._states),
            calls=self._calls,
            functions=tuple(self._names[one] for one in told),
            runs=self._runs,
            culprits=tuple(self._culprits.values()),
            unseen=tuple(self._names[one] for one in called if one not in self._told),
            lacking=tuple(self._names[one] for one in told if one not in self._library.entries),
            notes=tuple(self._notes),
            legs=bench.legs(),
            seed=self._entry.limits.seed,
            seconds=time.perf_counter() - begin,
        )


def _entries(made: Record) -> Iterator[Event]:
    return (event for event in made.events if event.way is Way.ENTER)


def _entered(made: Record, function: int, event: int) -> int:
    """The number of the event by which the call of ``function`` began that was going on before ``event``."""
    going: list[int] = []
    for number, one in enumerate(made.events[:event]):
        if one.way is Way.ENTER:
            going.append(number)
        else:
            going.pop()
    return next(number for number in reversed(going) if made.events[number].function == function)


def _state_at(made: Record, number: int) -> MachineState:
    """The state in which the function is called that event ``number`` enters."""
    held = {region.address: bytearray(region.data) for region in made.before.memory if region.writable}
    for event in made.events[: number + 1]:
        for page, data in event.pages.items():
            start = next(start for start in held if 0 <= page - start < len(held[start]))
            held[start][page - start : page - start + len(data)] = data
    registers = made.events[number].registers
    return replace(
        made.before,
        gpr=tuple(RETURN_ADDRESS if n == RA else value for n, value in enumerate(registers.gpr)),
        hi=registers.hi,
        lo=registers.lo,
        fpr=registers.fpr,
        fcsr=registers.fcsr,
        memory=tuple(
            replace(region, data=bytes(held[region.address])) if region.writable else region
            for region in made.before.memory
        ),
    )
