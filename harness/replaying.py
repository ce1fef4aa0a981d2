"""One saved case, run again: the same state on the same legs, without Hypothesis."""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from pathlib import Path

from harness.check import chosen_builds
from harness.check_function import Clock, Job, run_candidate, run_references
from harness.compare import Judgement, Result
from harness.config import Build, Scope, load_config
from harness.engines.base import Engine, MachineState
from harness.errors import UsageError
from harness.program.model import Function
from harness.results import CheckResult, Difference, Finding, FunctionResult, InputPart
from harness.store.cases import Case, image_hash, load_case, recorded_difference, recorded_state
from harness.tally import Candidate
from harness.verdicts import Verdict
from harness.workbench import Limits, Workbench, shown_path


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a case says now, as a check of one state, beside the difference that was saved."""

    result: CheckResult
    saved: Difference

    @property
    def now(self) -> Difference | None:
        """The difference as it is now."""
        finding = self.result.functions[0].finding
        return finding.difference if finding else None


@dataclass(frozen=True, slots=True)
class Opened:
    """A saved case with everything that it takes to run it; the engines of ``job`` and ``candidate`` are loaded."""

    path: Path
    case: Case
    bench: Workbench
    function: Function
    job: Job
    candidate: Candidate | None
    before: MachineState

    @property
    def engines(self) -> list[Engine]:
        """All legs."""
        return [*self.job.references, *([self.candidate.engine] if self.candidate else [])]


def replay(path: Path) -> Replayed:
    """Runs the case in the file at ``path`` again.

    Errors: ``UsageError`` where the case cannot be read, or its configuration, image or function is another one now.
    """
    begin = time.perf_counter()
    case = load_case(path)
    with Workbench(build_of(case, path)) as bench:
        result = run_case(bench, case, path)
        legs = bench.legs()
    check = CheckResult(case.seed, case.scope, legs, (result,), time.perf_counter() - begin)
    return Replayed(check, recorded_difference(case.first_difference))


def build_of(case: Case, path: Path) -> Build:
    """The build that the case in the file at ``path`` is about, with what was outside when it was found.

    Errors: ``UsageError`` where its configuration is gone, or has no such build.
    """
    file = (path.parent / case.config).resolve()
    if not file.exists():
        raise UsageError(
            str(path),
            "the tally.toml of this case is not there",
            got=str(file),
            help="a case names it as seen from its own folder: leave both where the check had them",
        )
    config = load_config(file)
    (build,) = chosen_builds(config, case.build) if case.build else config.builds[:1]
    return replace(
        build,
        check=build.check.model_copy(update={"calls": case.outside.calls}),
        externals=case.outside.external,
        windows=case.outside.window,
    )


def run_case(bench: Workbench, case: Case, path: Path) -> FunctionResult:
    """Runs a case on an open workbench of its build.

    Errors: ``UsageError`` where the image or the function is another one now.
    """
    return _run(open_case(bench, case, path))


def open_case(bench: Workbench, case: Case, path: Path) -> Opened:
    """The same without running it."""
    function = function_of(bench, case, path)
    job = bench.job(function, Limits(1, case.fuel, case.seed, Scope(case.scope)))
    candidate = _candidate(bench, case, path, function)
    before = recorded_state(case.before, bench.program.regions)
    opened = Opened(path, case, bench, function, job, candidate, before)
    for engine in opened.engines:
        engine.load(job.target)
    return opened


def function_of(bench: Workbench, case: Case, path: Path) -> Function:
    """The function of the case in the file at ``path``.

    Errors: ``UsageError`` where the image is not the one that the case was found in.
    """
    now = image_hash(bench.program.regions)
    if now != case.image_hash:
        raise UsageError(
            str(path),
            "the guest image is not the one this case was found in",
            got=f"SHA-256 {now[:16]}...",
            expected=f"{case.image_hash[:16]}...",
            help="restore the image, or run `tallystick check` again for new cases",
        )
    address = int(case.address, 16)
    for function in bench.program.functions:
        if function.address == address:
            return function
    raise UsageError(str(path), "the guest image has no function at the case's address", got=case.address)


def _candidate(bench: Workbench, case: Case, path: Path, function: Function) -> Candidate | None:
    """The translation the case is about; None where it is about the references themselves."""
    if not case.compiler:
        return None
    for candidate in bench.candidates(function):
        if candidate.compiler == case.compiler:
            if candidate.not_run:
                raise UsageError(str(path), f"function {function.name} cannot run", got=candidate.not_run)
            return candidate
    known = ", ".join(bench.compilers())
    raise UsageError(
        str(path),
        "the compiler of this case is not in the configuration any more",
        got=f"'{case.compiler}'",
        expected=known,
        help=f"add it to compilers in {bench.build.file}",
    )


def _run(opened: Opened) -> FunctionResult:
    case, function, job, before, candidate = opened.case, opened.function, opened.job, opened.before, opened.candidate
    clock = Clock()
    references, decided = run_references(job, before, clock)
    judged = run_candidate(job, before, references, decided, candidate, clock)
    coverage = references[0][1].coverage
    if coverage is not None:
        job.reach.add(coverage)
    compared = judged.result in (Result.AGREE, Result.DIFFER)
    finding = None
    if judged.difference is not None:
        inputs = tuple(InputPart(where, value) for where, value in case.input.items())
        writer = job.writer(before, judged.difference)
        finding = Finding(judged.difference, writer, inputs, len(inputs), shown_path(opened.path))
    return FunctionResult(
        name=function.name,
        address=function.address,
        size=function.size,
        verdict=_verdict(judged),
        reason=judged.reason,
        build=case.build,
        compiler=case.compiler,
        states=1,
        compared=int(compared),
        discarded=() if compared else ((judged.reason, 1),),
        instructions_reached=job.reach.instructions_reached,
        instructions_total=job.reach.instructions_total,
        branches_reached=job.reach.branches_reached,
        branches_total=job.reach.branches_total,
        finding=finding,
    )


def _verdict(judged: Judgement) -> Verdict:
    return {Result.AGREE: Verdict.AGREE, Result.DIFFER: Verdict.DIFFER}.get(judged.result, Verdict.INCONCLUSIVE)
