"""A traced run that knows where each value came from.

Every value is followed as a sum of *places* (see ``model.Place``) with integer coefficients, as far as additions,
subtractions, shifts, moves and products with known factors go; beyond that only the set of places that had a part in
it is kept. That is enough to say which word led to a faulting address, which bounds a loop, what kind of number a
word is, and which value would have turned a comparison round.
"""

from __future__ import annotations

from collections.abc import Callable

from harness.engines.base import MachineState
from harness.states.model import FIXED_GPRS, Place
from harness.states.terms import NOWHERE, Origin, mixed, of_place, of_result
from harness.states.trace import BranchRecord, Comparison, Trace
from harness.states.words import Word, value_of
from interp.optable import Insn, Kind, Loc
from interp.replay import Step
from interp.words import sext64

#: Gives the place that a caller provides at (address, size), or None for memory that is no input.
Locate = Callable[[int, int], Place | None]

_COPIES = frozenset(["mflo", "mfhi", "mtlo", "mthi", "mfc1", "mtc1", "dmfc1", "dmtc1", "mov.s", "mov.d"])
_SET_LESS = frozenset(("slt", "sltu", "slti", "sltiu"))
_WIDE = frozenset(
    (
        *("dadd", "daddu", "dsub", "dsubu", "daddi", "daddiu", "dmult", "dmultu", "ddiv", "ddivu"),
        *("dsll", "dsrl", "dsra", "dsll32", "dsrl32", "dsra32", "dsllv", "dsrlv", "dsrav"),
        *("sd", "sdl", "sdr", "scd", "dmtc1", "dmtc0"),
    )
)
#: Unaligned halves of a word or doubleword: offset from the address given to the start of the whole, and its size.
_PARTS = {"lwl": (0, 4), "lwr": (-3, 4), "ldl": (0, 8), "ldr": (-7, 8)}


class Tracer:
    """Follows origins through the steps of one run; ``trace`` holds what was found so far."""

    def __init__(self, before: MachineState, locate: Locate) -> None:
        self.trace = Trace()
        self._locate = locate
        self._fr = before.fr
        width = 8 if before.fr else 4
        self._registers: dict[Loc, Origin] = {("gpr", n): of_place(Place("gpr", n, 0, 8)) for n in range(1, 32)}
        self._registers |= {("fpr", n): of_place(Place("fpr", n, 0, width)) for n in range(32)}
        self._registers |= {(room, 0): of_place(Place(room, 0, 0, 8)) for room in ("hi", "lo")}
        for number in FIXED_GPRS:
            self._registers["gpr", number] = NOWHERE
        for loc, origin in self._registers.items():
            if origin.alone is not None:
                self.trace.values[origin.alone] = sext64(_register(before, loc))
        self._stored: dict[int, tuple[int, int, Origin]] = {}  # byte -> (start and size of the store, its origin)
        self._jump = NOWHERE

    def follow(self, step: Step) -> None:
        """Takes one executed instruction into account."""
        self.trace.steps += 1
        insn = step.insn
        if step.trap or insn is None:
            self._note_trap(step)
            return
        kind = insn.row.kind
        if kind is Kind.LOAD:
            self._load(insn, step)
        elif kind is Kind.STORE:
            self._store(insn, step)
        else:
            self._note_uses(insn, step)
            origins = self._results(insn, step)
            for loc, origin in zip(insn.targets(self._fr), origins, strict=True):
                self._set(loc, origin)
        if kind in (Kind.BRANCH, Kind.LIKELY):
            self._note_branch(insn, step)
        elif kind is Kind.INDIRECT:
            self._jump = self._origin(insn.loc("s"))
            self._read(self._jump)

    # -- values ------------------------------------------------------------------------------------------------------

    def _origin(self, loc: Loc) -> Origin:
        return self._registers.get(loc, NOWHERE)

    def _set(self, loc: Loc, origin: Origin) -> None:
        if loc != ("gpr", 0):
            self._registers[loc] = origin

    def _results(self, insn: Insn, step: Step) -> list[Origin]:
        """The origins of what the instruction writes, in the order of ``insn.targets``."""
        targets = insn.targets(self._fr)
        sources = insn.sources(self._fr)
        origins = [self._origin(loc) for loc in sources]
        if insn.row.name in _COPIES and len(sources) == len(targets):
            return origins
        if insn.row.kind is not Kind.ALU:
            return [NOWHERE if insn.row.links else mixed(origins)] * len(targets)
        result = of_result(insn, origins, [sext64(step.reads[loc]) for loc in sources])
        return [mixed((result,)) if loc[0] == "hi" and len(targets) > 1 else result for loc in targets]

    # -- memory ------------------------------------------------------------------------------------------------------

    def _load(self, insn: Insn, step: Step) -> None:
        self._read(self._origin(insn.loc("s")))
        address = self._address(insn, step)
        offset, size = _PARTS.get(insn.row.name, (0, insn.row.access))
        self._touch(address + offset, size, insn)
        targets = insn.targets(self._fr)
        for index, loc in enumerate(targets):  # a pair takes its high word from the lower address
            part = size // len(targets)
            origin = self._at(address + offset + index * part, part)
            if origin.alone is not None and origin.alone not in self.trace.values:
                self.trace.values[origin.alone] = sext64(step.writes.get(loc, 0))
            self._set(loc, origin)

    def _store(self, insn: Insn, step: Step) -> None:
        self._read(self._origin(insn.loc("s")))
        address = self._address(insn, step)
        size = insn.row.access
        values = [loc for loc in insn.sources(self._fr) if loc != insn.loc("s")] or [insn.loc("s")]
        place = self._touch(address, size, insn)
        part = size // len(values)
        for index, loc in enumerate(values):
            origin = self._origin(loc)
            if place is None or place.room not in ("frame", "stack"):  # saving a register is no use of it
                self._read(origin)
            if insn.row.name in _WIDE:
                self._use(origin, "wide")
            start = address + index * part
            for byte in range(start, start + part):
                self._stored[byte] = (start, part, origin)
        for loc in insn.targets(self._fr):
            self._set(loc, NOWHERE)

    def _address(self, insn: Insn, step: Step) -> int:
        return (step.reads[insn.loc("s")] + insn.imm) & 0xFFFF_FFFF_FFFF_FFFF

    def _at(self, address: int, size: int) -> Origin:
        """The origin of what lies at an address: what was stored there, or else a place."""
        stored = self._stored.get(address)
        if stored is not None and stored[:2] == (address, size):
            return stored[2]
        parts = [self._stored[byte][2] for byte in range(address, address + size) if byte in self._stored]
        if parts:
            return mixed(parts)
        place = self._locate(address, size)
        if place is None or place.room == "frame":
            return NOWHERE
        self.trace.reads.add(place)
        return of_place(place)

    def _touch(self, address: int, size: int, insn: Insn) -> Place | None:
        """Widens the extent of the block that an access goes to; gives the place of the access."""
        place = self._locate(address, size)
        if place is not None and place.room == "block":
            low, high = self.trace.extents.get(place.number, (0, 0))
            self.trace.extents[place.number] = (min(low, place.offset), max(high, place.offset + size))
            if insn.row.name[-1] not in "lr" or insn.row.name == "ll":
                known = self.trace.alignments.get(place.number, 1)
                self.trace.alignments[place.number] = max(known, size)
        return place

    # -- what the run tells about places -----------------------------------------------------------------------------

    def _read(self, origin: Origin) -> None:
        self.trace.reads |= origin.places

    def _use(self, origin: Origin, use: str) -> None:
        if origin.alone is not None:
            self.trace.uses.setdefault(origin.alone, set()).add(use)

    def _note_uses(self, insn: Insn, step: Step) -> None:
        row = insn.row
        for loc in insn.sources(self._fr):
            self._read(self._origin(loc))
        for name in row.word:
            self._use(self._origin(insn.loc(name)), "word")
        if row.name in _WIDE:
            for loc in insn.sources(self._fr):
                self._use(self._origin(loc), "wide")
        if row.kind is Kind.FLOAT:
            self._note_float_uses(insn)
        if row.name in _SET_LESS:
            self._note_set_less(insn, step)
        elif row.name.startswith("c."):
            left, right = insn.sources(self._fr)[0], insn.sources(self._fr)[1 if row.fp_in == 32 or self._fr else 2]
            holds = bool(step.writes["fcsr", 0] >> 23 & 1)
            self._note_comparison(
                Comparison(
                    step.address,
                    self._origin(left),
                    self._origin(right),
                    step.reads[left],
                    step.reads[right],
                    holds,
                    floating=True,
                )
            )

    def _note_set_less(self, insn: Insn, step: Step) -> None:
        left, written = insn.loc("s"), insn.targets(self._fr)[0]
        if insn.row.name in ("slti", "sltiu"):
            right, right_value = NOWHERE, insn.imm
        else:
            right, right_value = self._origin(insn.loc("t")), sext64(step.reads[insn.loc("t")])
        holds = bool(step.writes.get(written, 0))
        self._note_comparison(
            Comparison(step.address, self._origin(left), right, sext64(step.reads[left]), right_value, holds)
        )

    def _note_float_uses(self, insn: Insn) -> None:
        source_format = insn.row.name.rsplit(".", 1)[-1]
        for loc in insn.sources(self._fr):
            if loc[0] != "fpr":
                continue
            if source_format == "s":
                self._use(self._origin(loc), "float")
            elif source_format == "d":
                half = "double" if self._fr else "double high" if loc[1] & 1 else "double low"
                self._use(self._origin(loc), half)
            else:
                self._use(self._origin(loc), "integer")

    def _note_branch(self, insn: Insn, step: Step) -> None:
        operands = [loc for loc in insn.sources(self._fr) if loc != ("gpr", 0)]
        origins = [self._origin(loc) for loc in operands]
        values = [sext64(step.reads[loc]) for loc in insn.sources(self._fr)]
        taken = bool(step.taken)
        record = self.trace.branches.setdefault(step.address, BranchRecord())
        record.taken += taken
        record.not_taken += not taken
        record.places |= mixed(origins).places
        if operands and operands[0][0] == "gpr":
            right, right_value = (origins[1], values[1]) if len(operands) > 1 else (NOWHERE, 0)
            left_value = sext64(step.reads[operands[0]])
            self._note_comparison(Comparison(step.address, origins[0], right, left_value, right_value, taken))

    def _note_comparison(self, comparison: Comparison) -> None:
        if not comparison.left.places and not comparison.right.places:
            return
        self.trace.comparisons.append(comparison)
        if comparison.right is NOWHERE and comparison.right_value in (0, 1):
            self._use(comparison.left, "tested")
        if comparison.left is NOWHERE and comparison.left_value == 0:
            self._use(comparison.right, "tested")

    def _note_trap(self, step: Step) -> None:
        trace, insn = self.trace, step.insn
        trace.trap = step.trap
        if insn is not None and insn.row.kind in (Kind.LOAD, Kind.STORE) and not step.trap.endswith("fetch"):
            trace.fault_address = self._address(insn, step)
            trace.need = insn.row.access
            trace.culprit = self._origin(insn.loc("s"))
            self._read(trace.culprit)
        elif step.trap.endswith("fetch") or step.trap == "reserved-instruction":
            trace.culprit = self._jump


def _register(state: MachineState, loc: Loc) -> int:
    return value_of(state, Word(*loc))
