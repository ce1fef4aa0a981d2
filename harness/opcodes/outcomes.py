"""The outcomes of a probe: what its runs come to in the reference. They are bins too, but none can be asked for."""

from __future__ import annotations

from collections.abc import Iterator

from harness.engines.base import Outcome
from harness.opcodes.bins import Values
from harness.opcodes.probe import PLAIN, RESULT, Probe
from harness.program.assembly import encode
from interp import ops_alu
from interp.optable import Kind, Row, decode

#: Why an outcome that no state had is no gap: nobody can put it into a state.
UNSEEN = "no state that counts comes to it"

#: The exceptions of FCR31 by their cause bits (R4K p. 163).
_CAUSES = {16: "invalid", 15: "division by zero", 14: "overflow", 13: "underflow", 12: "inexact"}
_SIGNS = ("zero", "positive", "negative")
#: Meanings whose carry and overflow are told apart.
_ADDITIONS = frozenset((ops_alu.add, ops_alu.addu, ops_alu.dadd, ops_alu.daddu))
_SUBTRACTIONS = frozenset((ops_alu.sub, ops_alu.subu, ops_alu.dsub, ops_alu.dsubu))


def outcome_names(probe: Probe) -> tuple[str, ...]:
    """The outcomes that are told apart: those of the usual form of an opcode by itself."""
    row = _row(probe)
    if row is None:
        return ()
    if row.kind in (Kind.BRANCH, Kind.LIKELY):
        return ("taken", "not taken")
    if row.kind is Kind.FLOAT and "fcsr" in row.results:
        kinds = ("exact", *_CAUSES.values())
        return kinds if row.fp_out else (*kinds, "condition set", "condition clear")
    if not set(row.results) & {"d", "t", "hi", "lo"}:
        return ()
    signs = tuple(f"result {sign}" for sign in _SIGNS)
    sums = _ADDITIONS | _SUBTRACTIONS
    return (*signs, "carry", "no carry", "overflow", "no overflow") if row.meaning in sums else signs


def outcomes(probe: Probe, values: Values, outcome: Outcome) -> Iterator[str]:
    """The outcomes of a run from these values that returned."""
    row, after = _row(probe), outcome.after
    if row is None or after is None:
        return
    names = outcome_names(probe)
    if "taken" in names and outcome.coverage is not None:
        yield from ("taken" if taken else "not taken" for _, taken in outcome.coverage.edges)
    result = after.gpr[RESULT] or 0
    if "exact" in names:
        causes = [name for bit, name in _CAUSES.items() if (after.fcsr or 0) >> bit & 1]
        yield from causes or ["exact"]
    if "condition set" in names:
        yield "condition set" if result == 1 else "condition clear"
    if "result zero" in names:
        yield f"result {_SIGNS[0 if result == 0 else 2 if result >> 63 else 1]}"
    if "carry" in names:
        yield from _carries(row, probe, values)


def _carries(row: Row, probe: Probe, values: Values) -> Iterator[str]:
    """Carry (of a subtraction: borrow) and signed overflow, in the width of the opcode."""
    bits = 32 if row.word else 64
    x = values[0][0]
    y = probe.immediate if probe.immediate is not None else values[0][1]
    sign = -1 if row.meaning in _SUBTRACTIONS else 1
    unsigned = x % (1 << bits) + sign * (y % (1 << bits))
    signed = _signed(x, bits) + sign * _signed(y, bits)
    yield "carry" if not 0 <= unsigned < 1 << bits else "no carry"
    yield "overflow" if not -1 << bits - 1 <= signed < 1 << bits - 1 else "no overflow"


def _signed(value: int, bits: int) -> int:
    low = value % (1 << bits)
    return low - (low >> bits - 1 << bits)


def _row(probe: Probe) -> Row | None:
    if probe.role != PLAIN or probe.form != "distinct":
        return None
    insn = decode(encode(probe.opcodes[0]))
    return insn.row if insn else None
