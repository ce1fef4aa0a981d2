"""All probes of one wiring of the FPU, and the opcodes that have none, with the reason."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache

from harness.opcodes.control import control_probes
from harness.opcodes.idioms import idioms
from harness.opcodes.probe import Probe
from harness.opcodes.straight import straight_probes
from interp.optable import ROWS, Kind, Row


@cache
def catalogue(fr: bool) -> tuple[Probe, ...]:
    """The probes in the order of the table, idioms last; each name once."""
    return tuple({probe.name: probe for probe in _probes(fr)}.values())


def _probes(fr: bool) -> Iterator[Probe]:
    for row in ROWS:
        if unprobed(row) or (_takes_a_doubleword(row) and not fr):
            continue
        yield from control_probes(row) if row.kind.has_slot else straight_probes(row, fr)
    yield from idioms(fr)


def _takes_a_doubleword(row: Row) -> bool:
    """Whether it converts to or from a doubleword: in paired registers only one of the references runs that."""
    return ".l" in row.name and row.kind is Kind.FLOAT and not row.name.startswith("c.")


def unprobed(row: Row) -> str:
    """Why an opcode has no probe; empty where it has."""
    if "c0" in row.reads + row.results or row.name in ("eret", "tlbp", "tlbr", "tlbwi", "tlbwr"):
        return "works on the state of the processor, which belongs to the operating system"
    if row.kind is Kind.TRAP and not row.reads:
        return "always raises an exception: there is nothing after it to compare"
    return ""
