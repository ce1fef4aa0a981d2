"""What the search for a shape has learned so far, and how it learns from a traced run.

Three rules decide what an input word is for. A word that a faulting address was counted from, once, is a pointer: it
gets a block of its own or, at the depth limit, stays null. Words that are merely added to a pointer or to an address of
the image are counts, and so are words that keep a loop from ending. Everything else is a scalar, whose kind follows
from the instructions that use it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import takewhile

from harness.abi import Abi
from harness.config.hints import Hint
from harness.engines.base import MachineState
from harness.program.model import Function, Program
from harness.states.builder import StateBuilder
from harness.states.callees import Callees
from harness.states.code import constants_of
from harness.states.fitting import MOST_EXTENT, MOST_FIELDS, Fitting
from harness.states.growth import Growth
from harness.states.guesses import ORDER, FoundBlock, Guess, printed_order
from harness.states.layout import CELL, MOST_BLOCKS, apart, base_state, cell_address, packed, window
from harness.states.model import (
    AT_BLOCK,
    FIXED_GPRS,
    MOST_SHIFT,
    NOT_NULL,
    SHIFTED,
    TO_BLOCK,
    Block,
    Edit,
    Input,
    Kind,
    Place,
    Shape,
)
from harness.states.terms import Origin
from harness.states.told import measure, told
from harness.states.trace import BranchRecord, Trace

_MOST_DEPTH = 4
#: Units: bytes; a block that grew so far under a loop is being walked along without end, so the loop is bounded.
_MOST_WALK = 0x1000
#: Units: bytes on either side that a run which did not return may claim.
_CUT_SHORT = 64
_MOST_FAVOURITES = 48
#: Words of an array that are taken for pointers because those before them are.
_MOST_ALIKE = 1024
#: Other values that a count gets before it is made smaller.
_MOST_REDRAWN = 4
_ADDRESSES = frozenset((Kind.POINTER, Kind.FUNCTION, Kind.END))
_LIMITS = (16, 5, 2)


class Findings:
    """Everything known about the inputs of one function."""

    def __init__(
        self, program: Program, function: Function, abi: Abi, fr: bool, hints: Sequence[Hint] = (), blind: bool = False
    ) -> None:
        self._blind = blind  # nothing is repaired: no word becomes a pointer, a function or a count
        self._program = program
        self._function = function
        self._abi = abi
        self._fr = fr
        self._window = window(program)
        self.callees = Callees(program)
        self._blocks: list[FoundBlock] = []
        self._guesses: dict[Place, Guess] = told(hints, abi, fr, self._blocks)
        measure(self._guesses, self._blocks)
        self.fitting = Fitting(self._guesses, self._blocks, self.callees, self._window.arena)
        self.growth = Growth(self._guesses, self._blocks)
        self._compared_addresses: dict[tuple[Place, Place], None] = {}
        self.notes: dict[str, None] = {}
        self.may_limit = True  # whether a run that leads nowhere makes words small for all runs

    # -- states of the search ----------------------------------------------------------------------------------------

    def inputs(self) -> list[Input]:
        """The inputs known so far, in the order in which they are printed."""
        return [guess.as_input(place) for place, guess in self._in_order()]

    def _in_order(self) -> list[tuple[Place, Guess]]:
        """All guesses but for scalars that share bytes with a pointer or a function: to write these would break it."""
        whole = [place for place, guess in self._guesses.items() if guess.kind in _ADDRESSES]
        taken = {(*place[:2], place.offset + n) for place in whole for n in range(place.size)}
        free = (
            (place, guess)
            for place, guess in self._guesses.items()
            if guess.kind in _ADDRESSES or not any((*place[:2], place.offset + n) in taken for n in range(place.size))
        )
        return sorted(free, key=printed_order)

    def state(self, values: Mapping[Place, int], text: bytes = b"", rings: bool = False) -> MachineState:
        """The state for a run of the search: blocks in cells, scalars as in ``values``, or from ``text``, or 0.

        With ``rings`` a linked structure does not end in null, its last object leads to itself.
        """
        base = base_state(
            self._program,
            self._function,
            self._abi,
            self._fr,
            apart(self._window.arena, [block.mapped for block in self._blocks]),
        )
        addresses = [cell_address(self._window.arena, number) for number in range(len(self._blocks))]
        builder = StateBuilder(base, addresses)
        for address in addresses if text else ():
            builder.write_bytes(address, text)
        for place, guess in self._in_order():
            if guess.fixed:
                ring = place.room == "block" and (rings or place in values)
                builder.write(place, addresses[place.number] if ring else 0)
            elif guess.kind is Kind.POINTER:
                value = values.get(place, NOT_NULL)
                block = value - TO_BLOCK if TO_BLOCK <= value < TO_BLOCK + len(addresses) else guess.block
                shift = value - SHIFTED if SHIFTED <= value < SHIFTED + MOST_SHIFT else 0
                builder.write(place, addresses[block] + shift if value else 0)
            elif guess.kind is Kind.END:
                value = values.get(place, 0)
                other = AT_BLOCK <= value < AT_BLOCK + len(addresses)
                builder.write(place, addresses[value - AT_BLOCK] if other else addresses[guess.block] + value)
            elif place in values:
                builder.write(place, values[place])
        return builder.state()

    def locate(self, address: int, size: int) -> Place | None:
        """The place of an access: room ``frame`` is the callee's own stack; None is memory that never changes."""
        start, end = self._window.arena, self._window.arena + len(self._blocks) * CELL
        if start <= address < end:
            number = (address - start) // CELL
            return Place("block", number, address - cell_address(start, number), size)
        if self._window.sp <= address < self._window.sp + 0x400:
            return Place("stack", 0, address - self._window.sp, size)
        if self._window.stack <= address < self._window.sp:
            return Place("frame", 0, address - self._window.sp, size)
        for region in self._program.regions:
            if region.writable and region.address <= address < region.end:
                return Place("image", 0, address, size)
        return None

    # -- learning ----------------------------------------------------------------------------------------------------

    def learn(self, trace: Trace) -> bool:
        """Takes over what a run read, touched and compared; says whether it read something for the first time."""
        known = len(self._guesses)
        for place in trace.reads:
            if not -MOST_FIELDS <= place.offset < MOST_FIELDS and place.room == "block":
                continue
            if place.room != "gpr" or place.number not in FIXED_GPRS:
                self._guesses.setdefault(place, Guess()).is_read = True
        for place, uses in trace.uses.items():
            if place in self._guesses:
                self._guesses[place].uses |= uses
        for number, (low, high) in trace.extents.items():
            block = self._blocks[number]
            if not trace.returned:  # a walk that was cut short says nothing about how far one goes
                low, high = max(low, -_CUT_SHORT), min(high, _CUT_SHORT)
            block.touched = (min(block.touched[0], low), max(block.touched[1], high))
            block.alignment = max(block.alignment, trace.alignments.get(number, 1))
        for comparison in trace.comparisons:
            if (pair := comparison.addresses) is not None:
                self._compared_addresses[pair] = None
        for place, wanted in trace.wanted():
            guess = self._guesses.get(place)
            if guess is None or guess.kind not in (Kind.SCALAR, Kind.COUNT):
                continue
            if len(guess.favourites) < _MOST_FAVOURITES:
                guess.favourites[wanted] = None
        return len(self._guesses) > known

    def find_ends(self) -> None:
        """Takes scalars whose difference to a pointer was tested for ends of the pointer's block."""
        self.growth.find_ends(self._compared_addresses)

    def repair(self, trace: Trace) -> set[Place]:
        """Changes what one or more places are taken for, so that the run that ended in this trap gets further.

        Gives the places whose values have to be drawn anew and the pointers and blocks that changed; empty when there
        is nothing to try.
        """
        if self._blind:
            return set()
        if trace.trap.endswith("fetch") or trace.trap == "reserved-instruction":
            return self._make_function(trace.culprit)
        if trace.trap == "unimplemented-operation":
            return {place for place in trace.culprit.places if self._is_float(place)}
        if not trace.trap.startswith(("tlb", "address-error")):
            return set()
        if not trace.culprit.places:
            self.notes[f"access to {trace.fault_address:016x}, which no input leads to"] = None
            return set()
        return self._repair_sum(trace)

    def bound(self, trace: Trace) -> set[Place]:
        """Makes the words small that keep the rarest one-sided loop branch from leaving its loop."""
        one_sided = [
            record
            for record in trace.branches.values()
            if record.places and record.most > 1 and not (record.taken and record.not_taken)
        ]
        often = [record for record in trace.branches.values() if record.places and record.most > 8]
        for record in (*sorted(one_sided, key=_rarest), *sorted(often, key=_rarest)):
            changed = self._redrawn(record.places, trace) or self._limit(record.places)
            if changed:
                return changed
        return set()

    def _redrawn(self, places: set[Place], trace: Trace) -> set[Place]:
        """The counts among ``places`` that are so small already that a smaller limit would let them be: a few times."""
        found = {place for place in places if (guess := self._guesses.get(place)) and guess.kind is Kind.COUNT}
        smallest = min((self._guesses[place].limit for place in found), default=0) // 2
        found = {place for place in found if 0 <= trace.values.get(place, -1) < smallest}
        found = {place for place in found if self._guesses[place].redrawn < _MOST_REDRAWN}
        for place in found:
            self._guesses[place].redrawn += 1
        return found

    def _repair_sum(self, trace: Trace) -> set[Place]:
        """The faulting address is a sum of places: one of them is the pointer, the others are counts."""
        terms = trace.culprit.terms
        pointers = [p for p, factor in terms if factor == 1 and self.kind(p) in (Kind.POINTER, Kind.END)]
        others = trace.culprit.places.difference(pointers)
        if pointers:
            return self._reach_further(pointers[0], others, trace)
        if self._is_image_address(trace):
            return self._limit(others)
        fitting = [p for p, factor in terms if factor == 1 and p.size >= 4 and self._is_free(self._guesses.get(p))]
        if not fitting:
            return self._limit(others)
        pointer = min(fitting, key=lambda p: (ORDER[p.room], p.number, p.offset))
        return self._make_pointer(pointer) | self._limit(others - {pointer})

    def _reach_further(self, pointer: Place, others: frozenset[Place], trace: Trace) -> set[Place]:
        """A known pointer led outside its block, or off its alignment."""
        guess = self._guesses[pointer]
        if guess.fixed:
            return set()
        block = self._blocks[guess.block]
        offset = trace.fault_address - cell_address(self._window.arena, guess.block)
        if trace.fault_address % trace.need:
            return self._limit(others)
        low, high = min(block.mapped[0], offset), max(block.mapped[1], offset + trace.need)
        if low > -MOST_EXTENT and high < MOST_EXTENT:
            if high - low > _MOST_WALK and (changed := self._limit(others) or self.bound(trace)):
                return changed
            if (low, high) != block.mapped:
                block.mapped = (low, high)
                return {pointer}
        if changed := self._limit(others):
            return changed
        if "tested" in guess.uses and abs(offset) >= MOST_EXTENT:  # it was null in this run, and may not be
            guess.uses.discard("tested")
            return {pointer}
        return self.bound(trace)

    def _make_pointer(self, place: Place) -> set[Place]:
        """Gives the word a block, or lets it be null where structures have become deep enough."""
        guess = self._guesses[place]
        depth = self._blocks[place.number].depth + 1 if place.room == "block" else 1
        guess.kind = Kind.POINTER
        if depth <= _MOST_DEPTH and len(self._blocks) < MOST_BLOCKS:
            guess.block = len(self._blocks)
            self._blocks.append(FoundBlock(depth))
        elif "tested" in guess.uses or place.room != "block":
            guess.fixed = True
        else:  # never compared with null: a ring, or a link back
            guess.block = place.number
        return {place} | self._make_alike(place)

    def _make_alike(self, place: Place) -> set[Place]:
        """Where the word is the third pointer of an array, makes pointers of all its words that are tested for null.

        They lead to the objects of those that were found one by one: otherwise a table takes a run for each entry.
        """
        found = [
            one for one in self._guesses if one[:2] == place[:2] and one.size == place.size and self._block(one) >= 0
        ]
        before = max((one.offset for one in found if one.offset < place.offset), default=place.offset)
        stride = place.offset - before
        three = [place._replace(offset=place.offset - n * stride) for n in range(3)]
        alike: list[Place] = []
        if stride and all(one in found for one in three):
            following = (place._replace(offset=place.offset + n * stride) for n in range(1, _MOST_ALIKE))
            alike = list(takewhile(self._may_be_pointer, following))
        for number, one in enumerate(alike):
            guess = self._guesses[one]
            guess.kind, guess.block = Kind.POINTER, self._block(three[number % 3])
        return set(alike)

    def _may_be_pointer(self, place: Place) -> bool:
        guess = self._guesses.get(place)
        return guess is not None and self._is_free(guess) and "tested" in guess.uses

    def _make_function(self, culprit: Origin) -> set[Place]:
        place = culprit.alone
        if place is None or not self.callees.all or not self._is_free(self._guesses.get(place)):
            return self._limit(culprit.places)
        self._guesses[place].kind = Kind.FUNCTION
        return {place}

    def _limit(self, places: frozenset[Place] | set[Place]) -> set[Place]:
        """Makes scalars among ``places`` counts, or counts smaller; gives those that changed."""
        changed: set[Place] = set()
        for place in places if self.may_limit and not self._blind else ():
            guess = self._guesses.get(place)
            if guess is None or guess.kind not in (Kind.SCALAR, Kind.COUNT) or guess.fixed or guess.is_told:
                continue
            if guess.kind_by_use(place) is not Kind.SCALAR:
                continue  # a float
            limit = next((limit for limit in _LIMITS if limit < guess.limit or guess.kind is Kind.SCALAR), 0)
            if limit:
                guess.kind, guess.limit = Kind.COUNT, limit
                changed.add(place)
        return changed

    def _is_free(self, guess: Guess | None) -> bool:
        """Whether a word is nothing but a scalar so far, and may become something else."""
        return guess is not None and guess.kind is Kind.SCALAR and not guess.is_told

    def _is_float(self, place: Place) -> bool:
        guess = self._guesses.get(place)
        return guess is not None and guess.kind is Kind.SCALAR and guess.kind_by_use(place) is not Kind.SCALAR

    def _is_image_address(self, trace: Trace) -> bool:
        """Whether the part of the faulting address that no input explains points into the image or the stack."""
        constant = trace.unexplained
        near = 0x1_0000
        inside_image = any(r.address - near <= constant < r.end + near for r in self._program.regions)
        return inside_image or self._window.stack <= constant < self._window.stack + 0x4000

    def _block(self, place: Place) -> int:
        """The block that a pointer leads to, -1 for everything else."""
        guess = self._guesses.get(place)
        return guess.block if guess is not None and guess.kind is Kind.POINTER else -1

    def input(self, place: Place) -> Input:
        """A place as the shape will have it."""
        return self._guesses[place].as_input(place)

    def kind(self, place: Place) -> Kind | None:
        """What a place is taken for, None for one that is no input."""
        guess = self._guesses.get(place)
        return guess.kind if guess is not None else None

    # -- the result --------------------------------------------------------------------------------------------------

    def shape(self, kept: Sequence[Mapping[Place, int]]) -> Shape:
        """The shape as it is known now, with blocks side by side; ``kept`` are values that reached something new."""
        measure(self._guesses, self._blocks)
        wanted = [
            Block(number, 0, *found.touched, found.spare, found.alignment, found.depth)
            for number, found in enumerate(self._blocks)
        ]
        blocks, arena = packed(self._window.arena, wanted)
        base = base_state(self._program, self._function, self._abi, self._fr, arena)
        inputs = [self._with_callees(item) for item in self.inputs() if self._is_inside(item.place)]
        builder = StateBuilder(base, [block.address for block in blocks])
        for item in inputs:
            if (item.kind is Kind.POINTER and not item.fixed) or item.kind is Kind.END:
                builder.write(item.place, blocks[item.block].address)
            elif item.kind is Kind.FUNCTION:
                builder.write(item.place, self.callees.known(item.place)[0])
        return Shape(
            function=self._function,
            abi=self._abi,
            base=builder.state(),
            inputs=tuple(inputs),
            blocks=blocks,
            functions=self.callees.all,
            constants=constants_of(self._program, self._function),
            kept=tuple(self._edits(values) for values in kept),
            notes=tuple(self.notes),
        )

    def _with_callees(self, item: Input) -> Input:
        return replace(item, values=self.callees.known(item.place)) if item.kind is Kind.FUNCTION else item

    def _is_inside(self, place: Place) -> bool:
        """Whether a place is no field that only a run gone astray has read."""
        if place.room != "block":
            return True
        low, high = self._blocks[place.number].touched
        return low <= place.offset and place.offset + place.size <= high

    def _edits(self, values: Mapping[Place, int]) -> tuple[Edit, ...]:
        """Values of the search as edits of a draft; what no longer fits the kind of its place is left out."""
        fitting = [self.fitting.fitted(place, value) for place, value in values.items() if self._is_inside(place)]
        return tuple(edit for one in fitting for edit in one.items())


def _rarest(record: BranchRecord) -> tuple[bool, int]:
    """Branches that ran seldom first, and before them all those that depend on few words."""
    return len(record.places) > 4, record.most
