"""From many findings of a check to few causes: one wrong lowering breaks hundreds of functions.

Each finding is explained by itself; findings are one cause where the same opcode is to blame, or the same mistake about
delay slots.
"""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.config import Build
from harness.errors import UsageError
from harness.explain.classify import FLOWS
from harness.explain.explaining import Explainer
from harness.explain.model import Cause, Causes, Culprit, Explanation
from harness.pool import run_all
from harness.replaying import build_of, open_case
from harness.results import CheckResult, FunctionResult
from harness.store.cases import load_case
from harness.workbench import Workbench

#: Findings that are explained, the simplest first: more would tell the same causes again.
_MOST = 400


@dataclass(frozen=True, slots=True)
class Told:
    """What a worker sends back: the explanation, or why there is none."""

    explanation: Explanation | None
    why: str = ""


def causes(result: CheckResult, workers: int | None = None) -> Causes:
    """The causes of a check's findings."""
    found = [row for row in result.functions if row.finding is not None and row.finding.case and row.compiler]
    found.sort(key=lambda row: (_words(row), row.build, row.address))
    chosen = found[:_MOST]
    paths = [Path(row.finding.case) for row in chosen if row.finding is not None]
    count = max(1, min(workers or os.cpu_count() or 1, len(paths)))
    gathered = run_all(_explain, paths, count, _prepare, (), lambda _, __: None)
    told = [
        gathered.outcomes.get(n, Told(None, "the worker process died" if n in gathered.died else "interrupted"))
        for n in range(len(paths))
    ]
    return gather(list(zip(chosen, told, strict=True)), len(found) - len(chosen))


def gather(told: Sequence[tuple[FunctionResult, Told]], left: int) -> Causes:
    """Findings with their explanations by cause."""
    groups: dict[str, list[tuple[FunctionResult, Culprit]]] = {}
    unexplained: list[tuple[str, str]] = []
    for row, one in told:
        culprits = one.explanation.culprits if one.explanation is not None else ()
        if not culprits:
            why = one.why or (one.explanation.how if one.explanation is not None else "")
            unexplained.append((_name(row), why))
            continue
        named = {_key(culprit): culprit for culprit in reversed(_believed(culprits))}
        for key, culprit in named.items():
            groups.setdefault(key, []).append((row, culprit))
    made = [_cause(key, members) for key, members in groups.items()]
    made.sort(key=lambda cause: (-len(cause.functions), cause.what))
    return Causes(tuple(made), tuple(unexplained), len(told), left)


def _believed(culprits: Sequence[Culprit]) -> Sequence[Culprit]:
    """The culprits that count: all that were found, or the first of a guess."""
    return [one for one in culprits if one.of] or culprits[:1]


def _key(culprit: Culprit) -> str:
    return culprit.kind if culprit.kind in FLOWS else culprit.opcode


def _cause(key: str, members: Sequence[tuple[FunctionResult, Culprit]]) -> Cause:
    simplest, _ = min(members, key=lambda member: (_words(member[0]), member[0].build, member[0].address))
    return Cause(
        what=key,
        forms=_counted(culprit.form for _, culprit in members),
        kinds=_counted("; ".join(filter(None, (culprit.kind, culprit.like))) for _, culprit in members),
        sureties=_counted(str(culprit.surety) for _, culprit in members),
        functions=tuple(dict.fromkeys(_name(row) for row, _ in members)),
        simplest=simplest.finding.case if simplest.finding is not None else "",
    )


def _counted(texts: Iterable[str]) -> tuple[tuple[str, int], ...]:
    return tuple(Counter(text for text in texts if text).most_common())


def _words(row: FunctionResult) -> int:
    return row.finding.words if row.finding is not None else 0


def _name(row: FunctionResult) -> str:
    return " in ".join(filter(None, (row.name, row.build)))


#: The open workbench of this worker process, and what was read of its C.
_open: tuple[Build, Workbench, Explainer] | None = None


def _prepare() -> None:
    """Begins a worker with nothing open."""
    global _open
    _open = None


def _explain(path: Path) -> Told:
    """Explains one case in this worker process."""
    global _open
    try:
        case = load_case(path)
        build = build_of(case, path)
        if _open is None or _open[0] != build:
            if _open is not None:
                _open[1].close()
            bench = Workbench(build)
            _open = build, bench, Explainer(bench)
        return Told(_open[2].explain(open_case(_open[1], case, path)))
    except UsageError as error:  # something changed after the check
        return Told(None, str(error).splitlines()[0])
    except Exception as error:  # noqa: BLE001 - whatever goes wrong with one case must not cost the result of the check
        return Told(None, f"{type(error).__name__}: {error}")
