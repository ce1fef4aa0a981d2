"""What is in a program: functions, what they call, which are translated, which externals stay unresolved."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from harness.check import Options, chosen_builds
from harness.check_function import Clock, check_function
from harness.config import load_config
from harness.errors import UsageError
from harness.program.model import Function, Program
from harness.report.jsonout import write_json
from harness.report.survey import function_document
from harness.results import SurveyedBuild, SurveyedFunction
from harness.states.describe import described
from harness.states.source import ShapedStates
from harness.workbench import Workbench, shown_path
from interp.optable import Kind, decode

#: Letters of a function's name that the name of its file takes.
_FILE_NAME = 100


def survey(file: Path, pattern: str, build_name: str = "") -> tuple[SurveyedBuild, ...]:
    """Surveys the builds of the ``tally.toml`` at ``file``: all functions, or those that match ``pattern``.

    Errors: ``UsageError`` for whatever the user must change, a pattern that matches nowhere among it.
    """
    surveyed: list[SurveyedBuild] = []
    unmatched: UsageError | None = None
    for build in chosen_builds(load_config(file), build_name):
        with Workbench(build) as bench:
            try:
                picked = bench.program.find(pattern) if pattern else bench.program.functions
            except UsageError as error:
                unmatched = error
                continue
            functions = tuple(function for function in picked if function.segment == build.segment)
            surveyed.append(_build(bench, functions, with_shape=bool(pattern) and len(functions) == 1))
    if unmatched is not None and not surveyed:
        raise unmatched
    return tuple(surveyed)


def _build(bench: Workbench, functions: tuple[Function, ...], with_shape: bool) -> SurveyedBuild:
    program = bench.program
    externals = sorted({name for library in bench.libraries for name in library.externals})
    return SurveyedBuild(
        name=bench.build.name,
        image=shown_path(program.path),
        abi=bench.abi.name,
        fr=bench.fr,
        gp=program.gp,
        regions=tuple((r.address, len(r.data), r.writable, r.name) for r in program.regions),
        functions=tuple(_function(bench, function, with_shape) for function in functions),
        externals=tuple(externals),
    )


def _function(bench: Workbench, function: Function, with_shape: bool) -> SurveyedFunction:
    callees, indirect = _calls(bench.program, function)
    missing = {candidate.not_run for candidate in bench.candidates(function)} - {""}
    surveyed = SurveyedFunction(
        name=function.name,
        address=function.address,
        size=function.size,
        not_translated=", ".join(sorted(missing)) if bench.libraries else "no [translated] table",
        callees=callees,
        indirect_calls=indirect,
    )
    return _studied(bench, function, surveyed) if with_shape else surveyed


def _studied(bench: Workbench, function: Function, surveyed: SurveyedFunction) -> SurveyedFunction:
    """Adds what the function reads, and how far states in that shape come in the references; keeps all of it."""
    search = bench.search(function)
    source = ShapedStates(search.shape, search)
    job = replace(bench.job(function, Options().limits(bench.build)), candidates=())
    (reach,) = check_function(job, source, Clock())
    shape = source.shape
    studied = replace(
        surveyed, shape=str(shape), inputs=described(shape), remarks=shape.notes, reach=replace(reach, seconds=0.0)
    )
    name = re.sub(r"[^A-Za-z0-9_.-]", "_", f"{bench.build.name}-{function.name}".lstrip("-"))[:_FILE_NAME]
    path = bench.build.folder / ".tallystick" / "shapes" / f"{name}.json"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        write_json(function_document(studied), path)
    except OSError as error:
        where = str(path.parent)
        raise UsageError(where, "cannot be made", got=(error.strerror or str(error)).lower()) from None
    return replace(studied, saved=shown_path(path))


def _calls(program: Program, function: Function) -> tuple[tuple[str, ...], int]:
    """The functions that ``function`` calls or jumps to by address, in the order of its code; its indirect calls."""
    names: dict[str, None] = {}
    indirect = 0
    for address, word in program.words(function):
        insn = decode(word)
        if insn is None:
            continue
        if insn.row.kind is Kind.INDIRECT and insn.row.links:
            indirect += 1
        elif insn.row.kind.has_slot and insn.row.kind is not Kind.INDIRECT:
            target = insn.target(address)
            if insn.row.links or not function.address <= target < function.end:
                callee = program.function_at(target)
                names[callee.name if callee else f"{target:016x}"] = None
    return tuple(names), indirect
