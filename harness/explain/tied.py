"""Lockstep of one case: the library with looks at ties, what it cannot see, and the suspects of all states."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from harness.compare import compared_registers
from harness.engines.base import StopKind
from harness.engines.replay import Step
from harness.engines.translated import Translated
from harness.explain.blame import Suspect, suspects
from harness.explain.calibrate import Calibration, calibrate
from harness.explain.lockstep import Lockstep
from harness.explain.slips import Blind, Run
from harness.explain.states import Judged, States
from harness.explain.variables import Variables
from harness.explain.watched import Sources, TiedFunction, Watched, watch
from harness.program.model import Function, Program
from harness.replaying import Opened
from harness.translated.build import Library
from harness.translated.compiler import CompilerRefusal

#: Ties that are looked at in states that pass, that fail near the case and farther off; and states of each at least.
_MOST_PASSING, _MOST_FAILING, _MOST_FARTHER, _LEAST = 300, 700, 1000, 2
#: What is not seen of a C that cannot be put right after a wrong step.
_HIDDEN = "the C cannot be put right after a wrong step, which may hide others"
#: Makes a compiler put a trap wherever the C could do what it leaves undefined (GCC and Clang manuals, UBSan).
_UNDEFINED_TRAPS = ("-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")


@dataclass(slots=True)
class Tied:
    """What lockstep says; no suspects where it cannot say anything, with the reason in ``notes``."""

    suspects: list[Suspect] = field(default_factory=list)
    failing: list[Run] = field(default_factory=list)
    calibration: Calibration = field(default_factory=lambda: Calibration(0, 0))
    notes: list[str] = field(default_factory=list)


def run_tied(opened: Opened, sources: Sources, steps: Sequence[Step], states: States) -> Tied:
    """Runs the states of a case in lockstep; ``steps`` is the run of its own one in the reference."""
    found = Tied()
    library = _library(opened)
    reached = dict.fromkeys(step.address for step in steps)
    for one in states.farther:
        coverage = one.outcomes[0][1].coverage
        reached |= dict.fromkeys(sorted(coverage.instructions)) if coverage is not None else {}
    functions = _functions(opened, sources, reached)
    if library is None or not functions:
        found.notes.append("no tie between the C and guest addresses was found")
        return found
    variables, blind = Variables(), _blind(opened)
    try:
        watched = watch(sources, functions, library)
    except CompilerRefusal as refusal:
        found.notes.append(f"lockstep: the C with looks at its ties does not compile: {_first_line(refusal)}")
        return found
    with _lockstep(opened, sources, watched, variables, blind) as lockstep:
        found.calibration, passing = calibrate(lockstep, [one.before for one in states.passing], _MOST_PASSING)
        if found.calibration.why:
            found.notes.append(f"lockstep: {found.calibration.why}")
            return found
        found.failing = _runs(lockstep, states.failing, _MOST_FAILING)
    if any(run.slips for run in found.failing):
        try:
            watched = watch(sources, functions, library, mends=True)
        except CompilerRefusal as refusal:
            found.notes.append(
                f"lockstep: {_HIDDEN}: with variables that take it the C does not compile: {_first_line(refusal)}"
            )
        with _lockstep(opened, sources, watched, variables, blind) as lockstep:
            farther = [*states.failing[:_LEAST], *states.farther, *states.failing[_LEAST:]]
            found.failing += _runs(lockstep, farther, _MOST_FARTHER)
    found.suspects = suspects(found.failing, passing)
    if not found.suspects:
        stopped = next((run.stopped for run in found.failing if run.stopped), "")
        why = f", as far as the reference can follow: {stopped}" if stopped else ""
        found.notes.append(f"lockstep: with looks at its ties the C makes no wrong step{why}")
    return found


def undefined_at(opened: Opened, sources: Sources, steps: Sequence[Step], one: Judged) -> frozenset[int]:
    """The instructions in whose C a state of a case does what C leaves undefined; empty where the compiler sees none.

    The compiler is asked to trap there. What it traps in before the culprit hides what comes later.
    """
    library = _library(opened)
    functions = _functions(opened, sources, (step.address for step in steps))
    if library is None or not functions:
        return frozenset()
    try:
        watched = watch(sources, functions, library, _UNDEFINED_TRAPS)
    except CompilerRefusal:  # of an option that it does not know
        return frozenset()
    with _lockstep(opened, sources, watched, Variables(), _blind(opened)) as lockstep:
        run = lockstep.run(one.before)
    last = run.slips[-1] if run.slips else None
    trapped = last is not None and last.ended == StopKind.CRASH
    return frozenset(step.address for step in last.steps) if last is not None and trapped else frozenset()


@contextmanager
def _lockstep(
    opened: Opened, sources: Sources, watched: Watched, variables: Variables, blind: Blind
) -> Iterator[Lockstep]:
    """Lockstep on a watched library, whose worker lives as long as that."""
    target = opened.job.target
    leg = Translated(sources.build, watched.library)
    leg.load(target)
    try:
        yield Lockstep(target, watched, leg, variables, blind, opened.job.fuel)
    finally:
        leg.close()


def _blind(opened: Opened) -> Blind:
    """What nobody compares in the first place."""
    return Blind(compared_registers(opened.job.rules, opened.job.target.fr))


def _first_line(refusal: CompilerRefusal) -> str:
    return refusal.words.partition("\n")[0]


def _runs(lockstep: Lockstep, states: Sequence[Judged], most: int) -> list[Run]:
    """The runs of states until ``most`` ties were seen, of two at least."""
    runs: list[Run] = []
    for one in states:
        if len(runs) >= _LEAST and sum(run.sightings for run in runs) >= most:
            break
        runs.append(lockstep.run(one.before))
    return runs


def _library(opened: Opened) -> Library | None:
    """The library that the case is about."""
    legs = zip(opened.bench.libraries, opened.bench.translations, strict=True)
    return next((one for one, leg in legs if opened.candidate and leg is opened.candidate.engine), None)


def _functions(opened: Opened, sources: Sources, addresses: Iterable[int]) -> list[TiedFunction]:
    """The functions that hold the addresses that runs came through, as far as their C is tied to them."""
    outside = opened.job.target.outside
    boundaries = outside.boundaries if outside is not None else {}
    own = opened.function.address
    reached = functions_of(opened.bench.program, addresses)
    inside = [one for one in reached if one.address == own or one.address not in boundaries]
    return [tied for one in inside if (tied := sources.of(one)) is not None and tied.ties]


def functions_of(program: Program, addresses: Iterable[int]) -> list[Function]:
    """The functions that hold the addresses, each once, in the order in which they come."""
    found = (program.function_at(address) for address in dict.fromkeys(addresses))
    return list(dict.fromkeys(function for function in found if function is not None))
