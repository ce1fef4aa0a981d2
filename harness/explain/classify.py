"""The class of a fault: what all wrong values of an instruction have in common, in a few words."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from harness.engines.replay import Step
from harness.explain.blame import Suspect
from harness.explain.slips import Slip
from interp.optable import Insn, Kind, Loc
from interp.words import sext64, zext64

#: Mistakes about delay slots, which any instruction that has one may show.
DECIDED_LATE = "decided after its delay slot"
RUNS_SLOT = "runs the delay slot that it should skip"
SKIPS_SLOT = "skips its delay slot where it is not taken"
#: The link is kept where no tie shows it.
LINK_LOST = "stores nothing though the link stands: its own fault, or that of the LL before it"
FLOWS = frozenset((DECIDED_LATE, RUNS_SLOT, SKIPS_SLOT))

#: Evidence that is looked at.
_MOST = 40
_HOST_FILL = (0xA5A5A5A5, 0x5A5A5A5A)


@dataclass(frozen=True, slots=True)
class Pair:
    """A result as it should be and as the C has it; ``bits`` wide, ``floats`` where it is a floating-point number."""

    loc: Loc
    expected: int
    actual: int
    bits: int
    floats: bool = False


def results(step: Step, slip: Slip, fr: bool) -> list[Pair]:
    """What an instruction should have written and what the C has there, as far as they differ; whole values.

    What was overwritten before the C was looked at again is not known.
    """
    insn = step.insn
    later = slip.steps[next((n for n, one in enumerate(slip.steps, 1) if one is step), len(slip.steps)) :]
    if insn is None or any(step.writes.keys() & one.writes.keys() for one in later):
        return []
    pairs: list[Pair] = []
    for name in insn.row.results:
        file, number = insn.loc(name)
        if file == "fpr":
            bits = insn.row.fp_out or 32
            locs = [("fpr", number | 1), ("fpr", number & ~1)] if bits == 64 and not fr else [("fpr", number)]
            right, value = _joined(locs, step, slip, 32 if len(locs) == 2 else 64)
            mask = (1 << bits) - 1
            pairs.append(Pair(locs[-1], right & mask, value & mask, bits, floats=insn.row.kind is Kind.FLOAT))
        else:
            right, value = _joined([(file, number)], step, slip, 64)
            pairs.append(Pair((file, number), right, value, 32 if file == "fcsr" else 64))
    if step.access and step.access[2]:
        address, size, _ = step.access
        right, value = _joined([("mem", address + n) for n in range(size)], step, slip, 8)
        pairs.append(Pair(("mem", address), right, value, 8 * size))
    return [pair for pair in pairs if pair.expected != pair.actual]


def _joined(locs: Sequence[Loc], step: Step, slip: Slip, bits: int) -> tuple[int, int]:
    """The expected and the actual number that a run of places holds, the first place highest."""
    right = value = 0
    for loc in locs:
        written = step.writes.get(loc, 0)
        expected, actual = slip.wrong.get(loc, (written, written))
        right, value = right << bits | expected, value << bits | actual
    return right, value


def kind_of(suspect: Suspect, fr: bool) -> str:
    """The class of the fault that a suspect's evidence shows; empty where nothing fits all of it."""
    evidence = suspect.evidence[:_MOST]
    flows = {_flow(slip, step) for slip, step in evidence}
    if flows and "" not in flows:
        return flows.pop() if len(flows) == 1 else "control flow wrong"
    if all(_loses_link(slip, step) for slip, step in evidence):
        return LINK_LOST
    pairs = [pair for slip, step in evidence for pair in results(step, slip, fr)]
    if pairs:
        return next((name for name, holds in _CLASSES if all(map(holds, pairs))), "wrong value")
    if any(slip.wrong.keys() - step.writes.keys() for slip, step in evidence):
        return "writes another place"
    return ""


def _loses_link(slip: Slip, step: Step) -> bool:
    """Whether a store that needs the link of an LL stored nothing though that stands."""
    insn = step.insn
    if insn is None or insn.row.kind is not Kind.STORE or not insn.row.results:
        return False
    return slip.wrong.get(insn.loc(insn.row.results[0])) == (1, 0)


def _flow(slip: Slip, step: Step) -> str:
    """What went wrong in the flow of control; empty where that is not it."""
    insn = step.insn
    if (
        insn is not None
        and insn.row.kind is Kind.BRANCH
        and slip.went is None
        and slip.wrong.keys() - step.writes.keys()
    ):
        return SKIPS_SLOT
    if slip.ended:
        return {"hang": "never comes back", "crash": "stops the host", "wild": "strays from the guest's memory"}.get(
            slip.ended, f"ends the run ({slip.ended})"
        )
    if insn is None or not insn.row.kind.has_slot:
        return ""
    slot = next((one for one in slip.steps if one.address == step.address + 4), None)
    if slip.went is not None:
        if slot is not None and _decides_behind(slot, slip, step) == slip.went[1]:
            return DECIDED_LATE
        return "goes the other way" if insn.row.kind in (Kind.BRANCH, Kind.LIKELY) else "goes elsewhere"
    if insn.row.kind is Kind.LIKELY and not step.taken and slip.wrong:
        return RUNS_SLOT
    return ""


def _decides_behind(slot: Step, slip: Slip, step: Step) -> int | None:
    """Where a branch or jump goes that reads its operands behind its slot; None where that makes no odds."""
    insn = step.insn
    if insn is None or not slot.writes.keys() & step.reads.keys():
        return None
    made = {loc: slip.wrong.get(loc, (value, value))[1] for loc, value in slot.writes.items()}
    read = {**step.reads, **made}
    operands = [sext64(read.get(insn.loc(name), 0)) for name in insn.row.operands]
    decided = insn.row.meaning(*operands)
    if insn.row.kind is Kind.INDIRECT:
        return zext64(decided)
    return insn.target(step.address) if decided else zext64(step.address + 8)


def _low(pair: Pair, bits: int) -> bool:
    mask = (1 << bits) - 1
    return pair.bits > bits and pair.expected & mask == pair.actual & mask


def _extended(value: int, bits: int, width: int) -> int:
    """The low ``bits`` of a value, sign-extended to ``width``."""
    low = value & (1 << bits) - 1
    return (low - (low >> bits - 1 << bits)) & (1 << width) - 1


def _sign_lost(pair: Pair) -> bool:
    return any(
        pair.actual == pair.actual & (1 << bits) - 1 and pair.expected == _extended(pair.actual, bits, pair.bits)
        for bits in (8, 16, 32)
        if bits < pair.bits
    )


def _sign_added(pair: Pair) -> bool:
    return any(
        pair.expected == pair.expected & (1 << bits) - 1 and pair.actual == _extended(pair.expected, bits, pair.bits)
        for bits in (8, 16, 32)
        if bits < pair.bits
    )


def _mirrored(pair: Pair) -> bool:
    for size in (2, 4, 8):
        if 8 * size > pair.bits:
            continue
        low = pair.expected & (1 << 8 * size) - 1
        turned = int.from_bytes(low.to_bytes(size, "big"), "little")
        if pair.actual in (turned, _extended(turned, 8 * size, pair.bits)):
            return True
    return False


def _halves_swapped(pair: Pair) -> bool:
    half = pair.bits // 2
    low = (1 << half) - 1
    return pair.actual == (pair.expected & low) << half | pair.expected >> half


def _halfwords_swapped(pair: Pair) -> bool:
    low = pair.expected & 0xFFFF_FFFF
    turned = (low << 16 | low >> 16) & 0xFFFF_FFFF
    return pair.bits >= 32 and pair.actual in (turned, _extended(turned, 32, pair.bits))


def _is_nan(bits: int, width: int) -> bool:
    text = ">Q" if width == 64 else ">I"
    number = struct.unpack(text.replace("Q", "d").replace("I", "f"), struct.pack(text, bits))[0]
    return math.isnan(number)


def _float(holds: Callable[[Pair], bool]) -> Callable[[Pair], bool]:
    return lambda pair: pair.floats and pair.bits in (32, 64) and holds(pair)


def _only_sign(pair: Pair) -> bool:
    return pair.expected ^ pair.actual == 1 << pair.bits - 1


#: Classes from the narrowest to the widest; the first that fits all evidence is told.
_CLASSES: tuple[tuple[str, Callable[[Pair], bool]], ...] = (
    (
        "uninitialised host memory",
        lambda p: (p.actual & 0xFFFFFFFF) in _HOST_FILL and (p.expected & 0xFFFFFFFF) not in _HOST_FILL,
    ),
    ("NaN payload only", _float(lambda p: _is_nan(p.expected, p.bits) and _is_nan(p.actual, p.bits))),
    ("sign of zero", _float(lambda p: _only_sign(p) and not p.expected << 1 & (1 << p.bits) - 1)),
    ("sign wrong", _float(_only_sign)),
    ("rounding: one unit in the last place", _float(lambda p: abs(p.expected - p.actual) == 1)),
    ("condition wrong", lambda p: p.loc[0] == "fcsr" and p.expected ^ p.actual == 1 << 23),
    ("condition wrong", lambda p: p.loc[0] == "gpr" and {p.expected, p.actual} == {0, 1}),
    ("sign extension lost", _sign_lost),
    ("sign extension where there is none", _sign_added),
    ("bytes mirrored", _mirrored),
    ("words swapped", lambda p: p.bits == 64 and _halves_swapped(p)),
    ("halfwords swapped", _halfwords_swapped),
    ("low word right and high word wrong", lambda p: _low(p, 32)),
    ("off by one", lambda p: not p.floats and (p.expected - p.actual) % (1 << p.bits) in (1, (1 << p.bits) - 1)),
    ("high word right and low word wrong", lambda p: p.bits == 64 and p.expected >> 32 == p.actual >> 32 != 0),
)


def form_of(insn: Insn | None) -> str:
    """The operands of an instruction by their kinds: ``d,s,t``."""
    return insn.row.syntax if insn is not None else ""
