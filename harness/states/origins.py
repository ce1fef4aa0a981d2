"""A traced run that knows where each value came from.

Every value is followed as a sum of *places* (see ``model.Place``) with integer coefficients, as far as additions,
subtractions, shifts, moves and products with known factors go; beyond that only the set of places that had a part in
it is kept. That is enough to say which word led to a faulting address, which bounds a loop, what kind of number a
word is, and which value would have turned a comparison round.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.engines.base import MachineState
from harness.engines.replay import Step
from harness.states.inverse import Condition
from harness.states.model import FIXED_GPRS, Place
from harness.states.plans import Plan, plan
from harness.states.terms import NOWHERE, Made, Origin, mixed, of_place, of_result
from harness.states.trace import BranchRecord, Comparison, Trace
from harness.states.words import Word, value_of
from interp.optable import Kind, Loc
from interp.words import sext64

#: Gives the place that a caller provides at (address, size), or None for memory that is no input.
Locate = Callable[[int, int], Place | None]

_COPIES = frozenset(["mflo", "mfhi", "mtlo", "mthi", "mfc1", "mtc1", "dmfc1", "dmtc1", "mov.s", "mov.d"])
_MOVES = frozenset(("addu", "or", "daddu"))
_HALVES = ("high half", "low half")
_SET_LESS = frozenset(("slt", "sltu", "slti", "sltiu"))
#: Unaligned halves of a word or doubleword: offset from the address given to the start of the whole, and its size.
_PARTS = {"lwl": (0, 4), "lwr": (-3, 4), "ldl": (0, 8), "ldr": (-7, 8)}

#: What is compared with less than this, and with more than a flag or two, is no address.
_LEAST_ADDRESS = 0x1000

#: Outcomes of one comparison that are kept of a run; loops go through the same one again and again.
_MOST_COMPARISONS = 12


class Tracer:
    """Follows origins through the steps of one run; ``trace`` holds what was found so far."""

    def __init__(self, before: MachineState, locate: Locate, plans: dict[int, Plan]) -> None:
        """``plans`` is a cache by instruction word, to be shared between runs with the same FR bit."""
        self.trace = Trace()
        self._locate = locate
        self._plans = plans
        self._fr = before.fr
        self._registers = _initial_origins(before.fr)
        for loc, origin in self._registers.items():
            for place, _ in origin.terms:
                self.trace.values[place] = sext64(value_of(before, Word(*loc)))
        # byte -> (start and size of the store, origin and value of what was stored)
        self._stored: dict[int, tuple[int, int, Origin, int]] = {}
        self._compared: dict[tuple[int, bool], int] = {}
        self._jump = NOWHERE
        self._returns: list[int] = []  # where the calls through words that are inputs return to
        self._is_settled = True  # whether everything so far goes the same way for all inputs

    def follow(self, step: Step) -> None:
        """Takes one executed instruction into account."""
        self.trace.steps += 1
        if self._returns and step.address == self._returns[-1]:
            self._returns.pop()
            self.trace.calls.pop()
        insn = step.insn
        if not step.address:  # the world outside gives an answer
            self._is_settled = False
        if insn is None:
            self._note_trap(step, None)
            return
        known = self._plans.get(insn.word)
        if known is None:
            known = self._plans[insn.word] = plan(insn, self._fr)
        if step.trap:
            self._note_trap(step, known)
        elif known.kind is Kind.LOAD:
            self._load(known, step)
        elif known.kind is Kind.STORE:
            self._store(known, step)
        else:
            self._compute(known, step)

    # -- values ------------------------------------------------------------------------------------------------------

    def _compute(self, plan: Plan, step: Step) -> None:
        registers = self._registers
        operands = [registers[loc] for loc in plan.sources]
        if any(operand is not NOWHERE for operand in operands):
            self._note_uses(plan, step, operands)
            results = self._results(plan, step, operands)
        else:
            results = [NOWHERE] * len(plan.targets)
        if plan.kind is Kind.BRANCH or plan.kind is Kind.LIKELY:
            self._note_branch(plan, step, operands)
        elif plan.kind is Kind.INDIRECT:
            self._jump = registers[plan.base]
            if self._jump is not NOWHERE:
                self._is_settled = False
                target = step.reads[plan.base]
                made = Made(plan.name, 0, (self._jump,), (sext64(target),))
                self.trace.path.append(Condition(step.address, target, made))
                if plan.insn.row.links and self._jump.alone is not None:
                    self._returns.append(step.address + 8)
                    self.trace.calls.append(self._jump.alone)
        for loc, origin in zip(plan.targets, results, strict=True):
            if loc != ("gpr", 0):
                registers[loc] = origin

    def _results(self, plan: Plan, step: Step, operands: list[Origin]) -> list[Origin]:
        """The origins of what the instruction writes, in the order of its targets."""
        if plan.name in _COPIES and len(operands) == len(plan.targets):
            return operands
        if plan.kind is Kind.FLOAT:
            return self._float_results(plan, step)
        if plan.kind is not Kind.ALU:
            return [NOWHERE if plan.insn.row.links else mixed(operands)] * len(plan.targets)
        values = [sext64(step.reads[loc]) for loc in plan.sources]
        result = of_result(plan.insn, operands, values)
        if result is operands[0] and plan.name in _MOVES and not values[1]:
            return [result]
        made = Made(plan.name, plan.immediate, tuple(operands), tuple(values))
        if len(plan.targets) == 1:
            return [result.made_by(made)]
        high = mixed((result,)).made_by(made._replace(name=f"{plan.name} hi"))
        return [high if loc[0] == "hi" else result.made_by(made) for loc in plan.targets]

    def _float_results(self, plan: Plan, step: Step) -> list[Origin]:
        """Doubles in two registers are followed as wholes; a compare's result lies in fcsr."""
        locs = [loc for loc in plan.sources if loc[0] == "fpr"]
        origins = [self._registers[loc] for loc in locs]
        values = [step.reads[loc] for loc in locs]
        if plan.in_pairs:
            halves = range(0, len(origins), 2)
            origins = [_pair((origins[n], origins[n + 1]), (values[n], values[n + 1])) for n in halves]
            values = [values[n] << 32 | values[n + 1] & 0xFFFF_FFFF for n in range(0, len(values), 2)]
        if not any(origin is not NOWHERE for origin in origins):
            whole = NOWHERE
        else:
            whole = mixed(origins).made_by(Made(plan.name, 0, tuple(origins), tuple(values)))
        results = []
        for loc in plan.targets:
            if loc[0] == "fcsr" and not plan.name.startswith("c."):
                results.append(self._registers[loc])  # flags, which no branch asks for
            elif plan.out_pairs and whole is not NOWHERE and loc[0] == "fpr":
                bits = step.writes[plan.targets[0]] << 32 | step.writes[plan.targets[1]] & 0xFFFF_FFFF
                results.append(mixed((whole,)).made_by(Made(_HALVES[len(results)], 0, (whole,), (bits,))))
            else:
                results.append(whole)
        return results

    # -- memory ------------------------------------------------------------------------------------------------------

    def _load(self, plan: Plan, step: Step) -> None:
        self._read(self._registers[plan.base])
        self._use(self._registers[plan.base], "address")
        offset, size = _PARTS.get(plan.name, (0, plan.insn.row.access))
        address = _address(plan, step) + offset
        self._touch(address, size, plan)
        part = size // len(plan.targets)
        for index, loc in enumerate(plan.targets):  # a pair takes its high word from the lower address
            origin = self._at(address + index * part, part)
            if origin.alone is not None and origin.made is None:
                self.trace.values.setdefault(origin.alone, sext64(step.writes.get(loc, 0)))
            if origin is NOWHERE and self._registers[plan.base] is not NOWHERE:
                base = self._registers[plan.base]  # a table, or what may have been stored through another pointer
                made = Made(plan.name, plan.insn.imm, (base,), (sext64(step.reads[plan.base]),))
                origin = mixed((base,)).made_by(made)
            if plan.name in ("lb", "lh"):
                self._use(origin, "signed")
            if loc != ("gpr", 0):
                self._registers[loc] = origin

    def _store(self, plan: Plan, step: Step) -> None:
        self._read(self._registers[plan.base])
        self._use(self._registers[plan.base], "address")
        address, size = _address(plan, step), plan.insn.row.access
        values = plan.sources[1:] or plan.sources  # the base comes first; SW rX,(rX) has one source
        place = self._touch(address, size, plan)
        if self._registers[plan.base] is not NOWHERE and (place is None or place.room != "block"):
            self._is_settled = False  # other inputs may store somewhere else
        part = size // len(values)
        for index, loc in enumerate(values):
            origin = self._registers[loc]
            if place is None or place.room not in ("frame", "stack"):  # saving a register is no use of it
                self._read(origin)
            if plan.is_wide:
                self._use(origin, "wide")
            start = address + index * part
            for byte in range(start, start + part):
                self._stored[byte] = (start, part, origin, step.reads[loc])
        for loc in plan.targets:
            if loc != ("gpr", 0):
                self._registers[loc] = NOWHERE

    def _at(self, address: int, size: int) -> Origin:
        """The origin of what lies at an address: what was stored there, or else a place."""
        stored = self._stored.get(address)
        if stored is not None and stored[:2] == (address, size):
            return stored[2]
        if stored is not None and address + size <= stored[0] + stored[1]:
            return self._part(stored[2], stored[3], stored[1] - (address - stored[0]), size)
        parts = [self._stored[byte][2] for byte in range(address, address + size) if byte in self._stored]
        if parts:
            return mixed(parts)
        place = self._locate(address, size)
        if place is None or place.room == "frame":
            return NOWHERE
        self.trace.reads.add(place)
        return of_place(place)

    def _part(self, whole: Origin, value: int, from_end: int, size: int) -> Origin:
        """The origin of ``size`` bytes of a stored copy of ``whole``, ``from_end`` bytes before the end of the copy."""
        if whole is NOWHERE:
            return NOWHERE
        if whole.alone is None or whole.made is not None:
            low = 8 * (from_end - size)
            return mixed((whole,)).made_by(Made("cut", low << 8 | 8 * size, (whole,), (sext64(value),)))
        alone = whole.alone
        place = alone._replace(offset=alone.offset + alone.size - from_end, size=size)
        self.trace.reads.add(place)
        return of_place(place)

    def _touch(self, address: int, size: int, plan: Plan) -> Place | None:
        """Widens the extent of the block that an access goes to; gives the place of the access."""
        place = self._locate(address, size)
        if place is not None and place.room == "block":
            low, high = self.trace.extents.get(place.number, (0, 0))
            self.trace.extents[place.number] = (min(low, place.offset), max(high, place.offset + size))
            if not plan.is_partial:
                known = self.trace.alignments.get(place.number, 1)
                self.trace.alignments[place.number] = max(known, size)
        return place

    # -- what the run tells about places -----------------------------------------------------------------------------

    def _read(self, origin: Origin) -> None:
        if origin is not NOWHERE:
            self.trace.reads |= origin.places

    def _use(self, origin: Origin, use: str) -> None:
        if origin.alone is not None:
            self.trace.uses.setdefault(origin.alone, set()).add(use)

    def _note_uses(self, plan: Plan, step: Step, operands: list[Origin]) -> None:
        for origin in operands:
            self._read(origin)
        for loc in plan.words:
            self._use(self._registers[loc], "word")
        if plan.is_wide:
            for origin in operands:
                self._use(origin, "wide")
        if plan.kind is Kind.FLOAT:
            self._note_float_uses(plan)
        if plan.name in _SET_LESS:
            self._note_set_less(plan, step)
        elif plan.kind is Kind.TRAP and plan.sources:
            self._note_trap_test(plan, step, holds=False)
        elif plan.name.startswith("c."):
            left, right = plan.sources[0], plan.sources[2 if len(plan.sources) > 3 else 1]  # of pairs the high words
            sides = self._registers[left], self._registers[right]
            holds = bool(step.writes["fcsr", 0] >> 23 & 1)
            self._note(Comparison(step.address, *sides, step.reads[left], step.reads[right], holds, floating=True))

    def _note_set_less(self, plan: Plan, step: Step) -> None:
        left = plan.sources[0]
        right, right_value = NOWHERE, plan.insn.imm
        if len(plan.sources) > 1:
            right, right_value = self._registers[plan.sources[1]], sext64(step.reads[plan.sources[1]])
        holds = any(step.writes.values())
        if plan.name in ("slt", "slti"):
            for loc in plan.sources:
                self._use(self._registers[loc], "signed")
        sides = self._registers[left], right
        is_range = plan.name in ("sltiu", "sltu") and right is NOWHERE and 1 < right_value <= 256
        left_value = sext64(step.reads[left])
        self._note(Comparison(step.address, *sides, left_value, right_value, holds, is_range=is_range))

    def _note_trap_test(self, plan: Plan, step: Step, holds: bool) -> None:
        """A trap instruction compares like a branch."""
        values = [sext64(step.reads[loc]) for loc in plan.sources]
        origins = tuple(self._registers[loc] for loc in plan.sources)
        self.trace.path.append(Condition(step.address, holds, Made(plan.name, plan.insn.imm, origins, tuple(values))))
        right, right_value = NOWHERE, plan.insn.imm
        if len(values) > 1:
            right, right_value = self._registers[plan.sources[1]], values[1]
        left = self._registers[plan.sources[0]]
        self._note(Comparison(step.address, left, right, values[0], right_value, holds))

    def _note_float_uses(self, plan: Plan) -> None:
        source_format = plan.name.rsplit(".", 1)[-1]
        for loc in plan.sources:
            if loc[0] != "fpr":
                continue
            if source_format == "s":
                use = "float"
            elif source_format == "d":
                use = "double" if self._fr else "double high" if loc[1] & 1 else "double low"
            else:
                use = "integer"
            self._use(self._registers[loc], use)

    def _note_branch(self, plan: Plan, step: Step, operands: list[Origin]) -> None:
        if not plan.insn.conditional:
            return
        taken = bool(step.taken)
        record = self.trace.branches.setdefault(step.address, BranchRecord())
        record.taken += taken
        record.not_taken += not taken
        if record.most <= _MOST_COMPARISONS:
            record.places |= mixed(operands).places
        values = [sext64(step.reads[loc]) for loc in plan.sources]
        self.trace.path.append(Condition(step.address, taken, Made(plan.name, 0, tuple(operands), tuple(values))))
        if any(operand is not NOWHERE for operand in operands):
            self._is_settled = False
        if not self._is_settled:
            self.trace.unsettled.add(step.address)
        if plan.sources[0][0] == "gpr":
            right, right_value = (operands[1], values[1]) if len(operands) > 1 else (NOWHERE, 0)
            self._note(Comparison(step.address, operands[0], right, values[0], right_value, taken))

    def _note(self, comparison: Comparison) -> None:
        if comparison.left is NOWHERE and comparison.right is NOWHERE:
            return
        if comparison.right is NOWHERE and comparison.right_value in (0, 1):
            self._use(comparison.left, "tested")
        if comparison.left is NOWHERE and comparison.left_value == 0:
            self._use(comparison.right, "tested")
        if comparison.right is NOWHERE and 2 < comparison.right_value < _LEAST_ADDRESS:
            self._use(comparison.left, "number")
        key = comparison.address, comparison.holds
        self._compared[key] = self._compared.get(key, 0) + 1
        if self._compared[key] <= _MOST_COMPARISONS:
            self.trace.comparisons.append(comparison)

    def _note_trap(self, step: Step, plan: Plan | None) -> None:
        trace = self.trace
        trace.trap, trace.trapped_at = step.trap, step.address
        if step.trap.endswith("fetch") or plan is None:
            trace.culprit = self._jump
        elif plan.insn.row.access:
            trace.fault_address = _address(plan, step)
            trace.need = 1 if plan.is_partial else plan.insn.row.access
            trace.culprit = self._registers[plan.base]
            self._read(trace.culprit)
        else:
            for loc in plan.sources:
                self._read(self._registers[loc])
            if plan.kind is Kind.TRAP and plan.sources:
                self._note_trap_test(plan, step, holds=True)
            elif plan.kind is Kind.FLOAT:
                self._note_float_uses(plan)
                trace.culprit = mixed(self._registers[loc] for loc in plan.sources)


def _initial_origins(fr: bool) -> dict[Loc, Origin]:
    """Every register is an input but for those that each call sets; control registers have no origin."""
    registers: dict[Loc, Origin] = {("gpr", n): of_place(Place("gpr", n, 0, 8)) for n in range(32)}
    registers |= {("gpr", n): NOWHERE for n in FIXED_GPRS}
    registers |= {("fpr", n): of_place(Place("fpr", n, 0, 8 if fr else 4)) for n in range(32)}
    registers |= {(room, 0): of_place(Place(room, 0, 0, 8)) for room in ("hi", "lo")}
    return registers | {("fcsr", 0): NOWHERE} | {("cop0", n): NOWHERE for n in range(32)}


def _pair(halves: tuple[Origin, Origin], values: tuple[int, int]) -> Origin:
    """The origin of a double in two registers, high word first."""
    high, low = halves
    if high is NOWHERE and low is NOWHERE:
        return NOWHERE
    names = tuple(half.made.name for half in halves if half.made)
    if high.made and low.made and names == _HALVES and high.made.operands == low.made.operands:
        return high.made.operands[0]
    return mixed(halves).made_by(Made("pair", 0, halves, values))


def _address(plan: Plan, step: Step) -> int:
    return (step.reads[plan.base] + plan.insn.imm) & 0xFFFF_FFFF_FFFF_FFFF
