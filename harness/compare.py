"""Two or three outcomes of one state in, one judgement out. Knows no engine.

The references judge each other first; only where they agree can the candidate be wrong. The order is fixed: events
outside of the program, stop, result registers, other registers, hi, lo, floating-point registers, fcsr, memory
ascending. There are no tolerances: what may vary is a named rule of this module.

Rules:

- *not observed*: a value that a leg gives as None, or a region it does not give, is not compared.
- *halves*: without the FR bit a floating-point register is 32 bits wide; with it, the upper half of a register that the
  manual leaves open (last written by a 32-bit operation) is not compared.
- *abi scope*: only what a caller may rely on: result registers, preserved registers, the control bits of fcsr, and
  memory except the dead stack (below ``sp`` at entry) and the argument home area that belongs to the callee.
- *events*: calls of functions outside, and accesses to devices, are compared in order, with what was declared of them.
  A leg that stopped in another way before its next event is told by its stop.
- *reference fcsr*: between references the cause field is not compared: an engine that leaves it alone in moves, ABS and
  NEG is common (measured on Unicorn 2.1.4), and no program of the guest reads it without a trap.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import lru_cache
from itertools import takewhile

from harness.abi import GPR_NAMES, SP, Abi
from harness.config import Scope
from harness.engines.base import MachineState, Outcome, Region, StopKind
from harness.errors import HarnessError
from harness.results import Difference
from harness.verdicts import DifferenceKind, Discard
from interp.events import WARNINGS
from interp.optable import Loc

#: A leg's name and what it did.
LegOutcome = tuple[str, Outcome]

#: FCSR bits that a caller may rely on: FS, the five enables, the rounding mode. Source: VR5000 manual, FCR31 layout.
FCSR_CONTROL = 0x0100_0F83
_LOW_HALF = 0xFFFF_FFFF

#: FCSR bits of the cause field.
FCSR_CAUSE = 0x0003_F000

#: Traps of the chip after which a second engine may go on: it hands the case to the operating system, or to nobody.
EXCUSED_TRAPS = frozenset({"unimplemented-operation", "refused"})


class Result(StrEnum):
    """What one state says."""

    AGREE = "agree"
    DIFFER = "differ"
    REFERENCES_DISAGREE = "references disagree"
    DISCARDED = "discarded"


@dataclass(frozen=True, slots=True)
class Rules:
    """What is compared: the scope, and the calling convention that gives it meaning."""

    scope: Scope
    abi: Abi


@dataclass(frozen=True, slots=True)
class Judgement:
    """What one state says; ``reason`` is the key under which a state that does not count is counted.

    ``remark`` is what the candidate's leg noticed beside it.
    """

    result: Result
    reason: str = ""
    difference: Difference | None = None
    remark: str = ""

    @property
    def compared(self) -> bool:
        """Whether the state counts as compared."""
        return self.result in (Result.AGREE, Result.DIFFER)


@dataclass(frozen=True, slots=True)
class _Place:
    loc: Loc
    name: str
    digits: int
    mask: int


AGREE = Judgement(Result.AGREE)


def discarded_alone(outcome: Outcome) -> Judgement | None:
    """What the first reference's outcome decides without the other reference, or None.

    An open result ends up here, whatever it led to: what comes after it may be anything on any leg.
    """
    if outcome.stop is StopKind.UNSUPPORTED:
        return Judgement(Result.DISCARDED, f"{Discard.UNSUPPORTED}: {outcome.detail}")
    if outcome.stop is StopKind.EXTERNAL:
        return Judgement(Result.DISCARDED, f"{Discard.EXTERNAL}: {outcome.detail}")
    if outcome.astray:
        return Judgement(Result.DISCARDED, Discard.ASTRAY)
    if outcome.stop is StopKind.FUEL:
        return Judgement(Result.DISCARDED, Discard.FUEL)
    opened = _opened(outcome)
    if opened:
        return Judgement(Result.DISCARDED, f"open:{opened}")
    if outcome.stop is StopKind.TRAP and (outcome.trap in EXCUSED_TRAPS or outcome.in_callee):
        return Judgement(Result.DISCARDED, f"{Discard.TRAP}:{outcome.trap}")
    return None


def _opened(outcome: Outcome) -> str:
    """The first open event of an outcome; empty where there is none but warnings."""
    return next((event.kind for event in outcome.events if event.kind not in WARNINGS), "")


def candidate_matters(decided: Judgement | None, reference: Outcome) -> bool:
    """Whether a run of the candidate can still change what the references ``decided``; see ``judge_candidate``.

    It can where the program goes on: it returned, its operating system finishes what the chip left to software, or the
    reference stopped only because what comes is open.
    """
    if decided is None or decided.result is not Result.DISCARDED or reference.in_callee:
        return decided is None
    goes_on = reference.trap == "unimplemented-operation" or (reference.trap == "refused" and _opened(reference) != "")
    return goes_on or reference.stop is StopKind.RETURNED


def judge_references(before: MachineState, references: Sequence[LegOutcome], rules: Rules) -> Judgement | None:
    """What the references alone decide, or None where the candidate is to be judged.

    They are compared in full: registers, all memory, whatever the scope.
    """
    alone = discarded_alone(references[0][1])
    if alone is not None:
        return alone
    full = replace(rules, scope=Scope.ALL)
    for other in references[1:]:
        if other[1].stop is StopKind.UNSUPPORTED:
            return Judgement(Result.DISCARDED, f"{Discard.UNSUPPORTED}: {other[0]}: {other[1].detail}")
        difference = first_difference(before, (references[0], other), full, fcsr_ignored=FCSR_CAUSE)
        if difference is not None:
            return Judgement(Result.REFERENCES_DISAGREE, Discard.REFERENCES, difference)
    if references[0][1].stop is StopKind.TRAP:
        return Judgement(Result.DISCARDED, f"{Discard.TRAP}:{references[0][1].trap}")
    return None


def judge(before: MachineState, references: Sequence[LegOutcome], candidate: LegOutcome, rules: Rules) -> Judgement:
    """Judges ``candidate`` by ``references``, of which the first is the one whose events count."""
    return judge_candidate(before, references, judge_references(before, references, rules), candidate, rules)


def judge_candidate(
    before: MachineState,
    references: Sequence[LegOutcome],
    decided: Judgement | None,
    candidate: LegOutcome,
    rules: Rules,
) -> Judgement:
    """Judges ``candidate`` where ``decided`` is what the references alone said of this state.

    After an open result nothing the candidate leaves is judged, nor where it strays or how long it runs, which may all
    come of the open value; but a host crash that is no memory access (a division by zero) is a finding even there,
    because the chip would quietly go on.
    """
    name, outcome = candidate
    if decided is not None:
        crash = outcome.stop is StopKind.CRASH and outcome.fault_address is None
        if crash and candidate_matters(decided, references[0][1]):
            return Judgement(Result.DIFFER, "", stop_difference((references[0], candidate)))
        return decided
    if outcome.stop is StopKind.UNSUPPORTED:
        return Judgement(Result.DISCARDED, f"{Discard.UNSUPPORTED}: {name}: {outcome.detail}")
    if outcome.stop is StopKind.EXTERNAL:
        return Judgement(Result.DISCARDED, f"{Discard.EXTERNAL}: {outcome.detail}")
    difference = first_difference(before, (*references, candidate), rules)
    return AGREE if difference is None else Judgement(Result.DIFFER, "", difference)


def first_difference(
    before: MachineState, legs: Sequence[LegOutcome], rules: Rules, fcsr_ignored: int = 0
) -> Difference | None:
    """The first place in the fixed order where the last leg differs from the first, and the number of others.

    The legs between are only quoted in the values. ``fcsr_ignored`` masks bits of fcsr on top of the scope's rule.
    """
    first, last = legs[0][1], legs[-1][1]
    if first.outside or last.outside:
        event = _event_difference(legs)
        if event is not None:
            return event
    if (first.stop, first.trap) != (last.stop, last.trap):
        return stop_difference(legs)
    if first.after is None or last.after is None:
        return None
    found = list(_register_differences(first, last, rules, fcsr_ignored))
    memory, byte_count = _memory_difference(before, first.after, last.after, rules)
    if not found and memory is None:
        return None
    others = len(found) + byte_count - 1
    if found:
        place = found[0]
        values = tuple((name, _text(_value(o.after, place.loc), place)) for name, o in legs)
        return Difference(DifferenceKind.REGISTER, place.name, values, others, loc=place.loc)
    assert memory is not None  # one of the two is there, see above
    return _memory_report(memory, legs, others)


def _event_difference(legs: Sequence[LegOutcome]) -> Difference | None:
    """The first event that the last leg does not share with the first one."""
    first, last = legs[0][1].outside, legs[-1][1].outside
    shared = takewhile(lambda pair: pair[0].matches(pair[1]), zip(first, last, strict=False))
    number = sum(1 for _ in shared)
    if number == len(first) == len(last):
        return None
    if number == len(last) and legs[-1][1].stop is not legs[0][1].stop:
        return None  # it did not get so far: its stop is what there is to tell
    where = (first if number < len(first) else last)[number].where
    values = [(name, o.outside[number : number + 1]) for name, o in legs]
    return Difference(
        DifferenceKind.EVENT,
        where,
        tuple((name, str(event[0]) if event else "nothing") for name, event in values),
        events=tuple((name, tuple(map(str, outcome.outside))) for name, outcome in legs),
        number=number + 1,
    )


def stop_difference(legs: Sequence[LegOutcome]) -> Difference:
    """The legs stopped in different ways; a crash or hang of the last leg is a kind of its own."""
    last = legs[-1][1]
    kind = {
        StopKind.CRASH: DifferenceKind.CRASH,
        StopKind.WILD: DifferenceKind.CRASH,
        StopKind.HANG: DifferenceKind.HANG,
    }.get(last.stop, DifferenceKind.STOP)
    return Difference(kind, "stop", tuple((name, describe_stop(outcome)) for name, outcome in legs))


def describe_stop(outcome: Outcome) -> str:
    """How a run ended, in words: ``returned``, ``trap overflow``, ``wild access at ffffffff9fff0004``."""
    words = {StopKind.TRAP: f"trap {outcome.trap}", StopKind.WILD: "wild access", StopKind.FUEL: "out of instructions"}
    text = words.get(outcome.stop, str(outcome.stop))
    if outcome.stop is StopKind.CRASH and outcome.detail:
        text += f": {outcome.detail}"
    if outcome.fault_address is not None and outcome.stop is not StopKind.RETURNED:
        text += f" at {outcome.fault_address:016x}"
    return text


# --- registers ---------------------------------------------------------------------------------------------------


@lru_cache
def _places(rules: Rules, fr: bool) -> tuple[_Place, ...]:
    """The registers in scope, in the order in which they are compared."""
    abi, width = rules.abi, 64 if fr else 32
    everything = rules.scope is Scope.ALL

    def gpr(numbers: Iterator[int]) -> Iterator[_Place]:
        return (_Place(("gpr", n), GPR_NAMES[n], 16, (1 << 64) - 1) for n in numbers)

    def fpr(numbers: Iterator[int]) -> Iterator[_Place]:
        return (_Place(("fpr", n), f"f{n}", width // 4, (1 << width) - 1) for n in numbers)

    rest_gpr = range(1, 32) if everything else abi.preserved_gprs
    rest_fpr = range(32) if everything else abi.preserved_fprs
    places = [*gpr(iter(abi.result_gprs)), *fpr(iter(abi.result_fprs))]
    places += gpr(n for n in rest_gpr if n not in abi.result_gprs)
    if everything:
        places += [_Place((name, 0), name, 16, (1 << 64) - 1) for name in ("hi", "lo")]
    places += fpr(n for n in rest_fpr if n not in abi.result_fprs)
    places.append(_Place(("fcsr", 0), "fcsr", 8, (1 << 32) - 1 if everything else FCSR_CONTROL))
    return tuple(places)


def compared_registers(rules: Rules, fr: bool) -> frozenset[Loc]:
    """The registers in scope."""
    return frozenset(place.loc for place in _places(rules, fr))


def _register_differences(first: Outcome, last: Outcome, rules: Rules, fcsr_ignored: int) -> Iterator[_Place]:
    before, after = first.after, last.after
    assert before is not None and after is not None  # the caller compares only what was observed
    if before.fr is not after.fr:
        raise HarnessError("compare", "two legs ran with different FR bits", help="report this")
    open_halves = first.open_halves | last.open_halves
    for place in _places(rules, before.fr):
        a, b = _value(before, place.loc), _value(after, place.loc)
        if a is None or b is None or a == b:
            continue
        mask = place.mask
        if place.loc[0] == "fcsr":
            mask &= ~fcsr_ignored
        elif place.loc[0] == "fpr" and place.loc[1] in open_halves:
            mask &= _LOW_HALF
        if (a ^ b) & mask:
            yield place


def _value(state: MachineState | None, loc: Loc) -> int | None:
    """The register at ``loc``, or None where it was not observed."""
    if state is None:
        return None
    kind, number = loc
    if kind == "gpr":
        return state.gpr[number]
    if kind == "fpr":
        return state.fpr[number]
    return {"hi": state.hi, "lo": state.lo, "fcsr": state.fcsr}[kind]


def _text(value: int | None, place: _Place) -> str:
    return "not observed" if value is None else f"{value & ((1 << 4 * place.digits) - 1):0{place.digits}x}"


# --- memory ------------------------------------------------------------------------------------------------------


def _memory_difference(
    before: MachineState, first: MachineState, last: MachineState, rules: Rules
) -> tuple[int | None, int]:
    """The lowest differing address in scope, and the number of differing bytes."""
    regions = {region.address: region for region in last.memory}
    lowest, count = None, 0
    for region in first.memory:
        other = regions.get(region.address)
        if other is None or other.data is region.data or other.data == region.data:
            continue
        if len(other.data) != len(region.data):
            raise HarnessError(
                f"region {region.address:016x}", "two legs give it different sizes",
                got=f"{len(other.data)} bytes", expected=f"{len(region.data)} bytes",
            )
        for start, end in _live(region, before, rules):
            offset, differing = _differing_bytes(region.data[start:end], other.data[start:end])
            if differing and lowest is None:
                lowest = region.address + start + offset
            count += differing
    return lowest, count


def _live(region: Region, before: MachineState, rules: Rules) -> tuple[tuple[int, int], ...]:
    """The offsets of ``region`` that count: in the region of the stack, only what lies above the callee's own part."""
    sp = before.gpr[SP]
    if rules.scope is Scope.ALL or sp is None or not region.address <= sp <= region.end:
        return ((0, len(region.data)),)
    return ((min(sp - region.address + rules.abi.home_bytes, len(region.data)), len(region.data)),)


def _differing_bytes(a: bytes, b: bytes) -> tuple[int, int]:
    """Offset of the first differing byte and the number of them; (0, 0) where there is none."""
    difference = int.from_bytes(a, "big") ^ int.from_bytes(b, "big")
    if not difference:
        return 0, 0
    tail = difference.to_bytes((difference.bit_length() + 7) // 8, "big")
    return len(a) - len(tail), len(tail) - tail.count(0)


def _memory_report(address: int, legs: Sequence[LegOutcome], others: int) -> Difference:
    values, words = [], []
    for name, outcome in legs:
        word = _read(outcome.after, address & ~3, 4)
        words.append((name, "not observed" if word is None else word.hex()))
        values.append((name, "not observed" if word is None else word[address & 3 :][:1].hex()))
    return Difference(
        DifferenceKind.MEMORY, f"{address:016x}", tuple(values), others, tuple(words), ("mem", address)
    )


def _read(state: MachineState | None, address: int, size: int) -> bytes | None:
    for region in state.memory if state is not None else ():
        if region.address <= address < region.end:
            return region.data[address - region.address :][:size]
    return None
