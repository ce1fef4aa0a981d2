"""From the results of all probes to the ledger: one line for each opcode and idiom."""

from __future__ import annotations

import inspect
import json
import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from harness.engines.faults.model import SOURCES
from harness.errors import UsageError
from harness.evidence import Ledger, OpcodeEvidence, OpcodeVerdict, PlantedFaults, Section
from harness.opcodes.catalogue import catalogue, unprobed
from harness.opcodes.probe import IDIOM, Probe
from harness.results import CheckResult, FunctionResult
from harness.verdicts import Verdict
from interp import ops_fpu_arith
from interp.optable import ROWS, Kind, Row


def ledger(result: CheckResult, faults: Mapping[str, PlantedFaults] | None = None) -> Ledger:
    """The ledger of a check over probes; ``faults`` says by opcode what planted faults showed of the check itself."""
    rows: dict[tuple[str, str], list[FunctionResult]] = {}
    for function in result.functions:
        rows.setdefault((function.build, function.compiler), []).append(function)
    sections = tuple(Section(*key, _lines(found, faults or {})) for key, found in rows.items())
    without = tuple((row.name, reason) for row in ROWS if (reason := unprobed(row)))
    cited = " ".join(line.source for section in sections for line in section.lines)
    manuals = tuple((short, title) for short, title in SOURCES.items() if f"{short} " in cited)
    return Ledger(result, sections, without, manuals)


def read_faults(file: Path) -> dict[str, PlantedFaults]:
    """What a campaign of planted faults found, by opcode: ``{"addu": {"planted": 3, "found": 3}, ...}``.

    Errors: ``UsageError`` for a file that is missing or holds something else.
    """
    try:
        document = json.loads(file.read_text(encoding="utf-8"))
        return {name: PlantedFaults(int(entry["planted"]), int(entry["found"])) for name, entry in document.items()}
    except OSError as error:
        raise UsageError(str(file), "cannot be read", got=(error.strerror or str(error)).lower()) from None
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        what = f"{type(error).__name__}: {error}"
        raise UsageError(
            str(file), "holds no planted faults", got=what, expected='{"addu": {"planted": 3, "found": 3}, ...}'
        ) from None


def _lines(results: Sequence[FunctionResult], faults: Mapping[str, PlantedFaults]) -> tuple[OpcodeEvidence, ...]:
    """One line for each opcode in the order of the table, idioms last."""
    probes = {probe.name: probe for fr in (False, True) for probe in catalogue(fr)}
    groups: dict[str, list[tuple[Probe, FunctionResult]]] = {}
    for result in results:
        probe = probes[result.name]
        groups.setdefault(_line_name(probe), []).append((probe, result))
    by_name = {row.name: row for row in ROWS}
    return tuple(_line(name, group, by_name.get(name), faults.get(name)) for name, group in groups.items())


def _line_name(probe: Probe) -> str:
    return f"idiom {probe.form}" if probe.role == IDIOM else probe.opcodes[0]


def _line(
    name: str, group: Sequence[tuple[Probe, FunctionResult]], row: Row | None, faults: PlantedFaults | None
) -> OpcodeEvidence:
    probes, results = zip(*group, strict=True)
    bins = [one for result in results for one in result.bins]
    missed = tuple(f"{r.name}: {one.name}" for r in results for one in r.bins if not one.hits and not one.reason)
    verdict, reason = _verdict(results)
    return OpcodeEvidence(
        name=name,
        opcodes=tuple(dict.fromkeys(opcode for probe in probes for opcode in probe.opcodes)),
        verdict=verdict,
        reason=reason,
        probes=len(group),
        forms=tuple(dict.fromkeys(probe.form for probe in probes)),
        roles=tuple(dict.fromkeys(probe.role for probe in probes)),
        states=sum(result.compared for result in results),
        bins=len(bins),
        hit=sum(one.hits > 0 for one in bins),
        excused=tuple(sorted(Counter(one.reason for one in bins if not one.hits and one.reason).items())),
        missed=missed if verdict is OpcodeVerdict.NO_DIFFERENCE else (),
        source=_source(row) if row else "",
        differing=tuple(result for result in results if result.verdict is Verdict.DIFFER),
        faults=faults,
    )


def _verdict(results: Sequence[FunctionResult]) -> tuple[OpcodeVerdict, str]:
    """The verdict of all probes of an opcode, the worst one first."""
    for verdict, says in (
        (Verdict.DIFFER, OpcodeVerdict.DIFFERS),
        (Verdict.HARNESS_ERROR, OpcodeVerdict.FAULT),
        (Verdict.NOT_RUN, OpcodeVerdict.REFUSED),
    ):
        found = [result for result in results if result.verdict is verdict]
        if found:
            return says, found[0].reason
    if any(result.compared for result in results):
        return OpcodeVerdict.NO_DIFFERENCE, ""
    return OpcodeVerdict.UNTESTED, results[0].reason


def _source(row: Row) -> str:
    """Where the meaning of an opcode is taken from: what the head of its chapter cites."""
    chapter = ops_fpu_arith.__name__ if row.kind is Kind.FLOAT else row.meaning.__module__
    head = (inspect.getdoc(sys.modules[chapter]) or "").split("\n\n")[0]
    return " ".join(head[head.index("(") + 1 : head.rindex(")")].split())
