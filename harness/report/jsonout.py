"""The JSON form of a check: the object ``tallystick.check/1``, whose keys scripts rely on.

Two runs with the same seed give the same bytes apart from ``summary.seconds`` and ``timing``.
"""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

from harness.errors import UsageError
from harness.results import CheckResult, Finding, FunctionResult
from harness.verdicts import Verdict

SCHEMA = "tallystick.check/1"


def check_document(result: CheckResult) -> dict[str, Any]:
    """The whole object, ready for ``json``."""
    return {
        "schema": SCHEMA,
        "seed": result.seed,
        "scope": result.scope,
        "legs": [{"name": leg.name, "version": leg.version} for leg in result.legs],
        "summary": {
            **{str(verdict): result.count(verdict) for verdict in Verdict},
            "states": result.states,
            "compared": result.compared,
            "seconds": round(result.seconds, 3),
        },
        "functions": [result_document(function) for function in result.functions],
        "timing": {phase: round(seconds, 3) for phase, seconds in result.timing},
        "interrupted": result.interrupted,
    }


def require_writable(path: Path) -> None:
    """Says now what ``write_json`` would say later.

    Errors: ``UsageError`` for a folder, a missing folder above, or one without permission.
    """
    there = path if path.exists() else path.parent
    if path.is_dir():
        reason = errno.EISDIR
    elif not there.exists():
        reason = errno.ENOENT
    elif not there.is_dir() and there is not path:
        reason = errno.ENOTDIR
    elif not os.access(there, os.W_OK):
        reason = errno.EACCES
    else:
        return
    raise UsageError(str(path), "cannot be written", got=os.strerror(reason).lower())


def write_json(document: dict[str, Any], path: Path) -> None:
    """Writes ``document`` to ``path``.

    Errors: ``UsageError`` where the file cannot be written.
    """
    try:
        path.write_text(json.dumps(document, indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None


def result_document(function: FunctionResult) -> dict[str, Any]:
    """The result of one function, ready for ``json``."""
    return {
        "name": function.name,
        "build": function.build,
        "compiler": function.compiler,
        "address": f"{function.address:016x}",
        "size": function.size,
        "verdict": str(function.verdict),
        "reason": function.reason,
        "states": function.states,
        "compared": function.compared,
        "discarded": dict(function.discarded),
        "instructions_reached": function.instructions_reached,
        "instructions_total": function.instructions_total,
        "branches_reached": function.branches_reached,
        "branches_total": function.branches_total,
        "branches_missed": [
            {"address": f"{one.address:016x}", "taken": one.taken, "why": str(one.why)} for one in function.missed
        ],
        "first_difference": _finding(function.finding) if function.finding else None,
        "notes": list(function.notes),
    }


def _finding(finding: Finding) -> dict[str, Any]:
    writer = finding.writer
    return {
        "kind": str(finding.difference.kind),
        "where": finding.difference.where,
        "values": dict(finding.difference.values),
        "others": finding.difference.others,
        "events": {leg: list(events) for leg, events in finding.difference.events},
        "written_by": {"address": f"{writer.address:016x}", "text": writer.text} if writer else None,
        "input": {part.where: part.value for part in finding.inputs},
        "input_words": finding.words,
        "case": finding.case,
    }
