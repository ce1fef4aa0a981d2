"""Values as the places of a shape can hold them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.states.callees import Callees
from harness.states.guesses import FoundBlock, Guess
from harness.states.inverse import Wanted
from harness.states.layout import CELL, cell_address
from harness.states.model import AT_BLOCK, MOST_SHIFT, NOT_NULL, SHIFTED, TO_BLOCK, Kind, Place
from harness.states.trace import Trace
from harness.states.words import sign_extended

#: Units: bytes that a block may reach from its address, to either side, and within which its words are told apart.
MOST_EXTENT = 0x6000
MOST_FIELDS = 0x200


class Fitting:
    """Turns wanted values into edits; looks at guesses and blocks as they grow. ``arena`` is where the cells begin."""

    def __init__(
        self, guesses: Mapping[Place, Guess], blocks: Sequence[FoundBlock], callees: Callees, arena: int
    ) -> None:
        self._guesses = guesses
        self._blocks = blocks
        self._callees = callees
        self._arena = arena

    def changed(self, values: Mapping[Place, int], wanted: Wanted) -> dict[Place, int]:
        """``values`` with the wanted words changed, as their places can hold them, and what overlaps them with them."""
        changed: dict[Place, int] = {}
        for place, value in values.items():
            changed |= self.fitted(place, value)
        near: dict[tuple[str, int, int], list[Place]] = {}  # what lies in each doubleword
        for place in changed if wanted else ():
            for key in _doublewords(place):
                near.setdefault(key, []).append(place)
        for place, value in wanted:
            fitted = self.fitted(place, value)
            changed |= fitted
            for other in {one for key in _doublewords(place) for one in near.get(key, ())} if fitted else ():
                if other != place and other.overlaps(place) and self._kind(other) is Kind.SCALAR:
                    changed[other] = other.written_over(changed[other], place, value)
        return changed

    def completed(self, values: Mapping[Place, int], trace: Trace) -> dict[Place, int]:
        """``values`` with those of the words that the run read for the first time, or that a long text provided."""
        found = {place: value & (1 << 8 * place.size) - 1 for place, value in trace.values.items()}
        fitting = {place: value for place, value in found.items() if self._kind(place) in (Kind.SCALAR, Kind.COUNT)}
        return {**fitting, **values}

    def fitted(self, place: Place, value: int) -> dict[Place, int]:
        """``value`` as the place can hold it: a pointer is null or not, a count small, a register canonical."""
        guess = self._guesses.get(place)
        if guess is None:
            return {}
        if guess.fixed:  # the end of a linked structure, which may lead to its own object instead
            return {place: TO_BLOCK + place.number} if value and place.room == "block" else {}
        address = sign_extended(value) if place.size == 4 else value
        if guess.kind is Kind.FUNCTION:
            return {place: address} if address in self._callees.all else {}
        if guess.kind is Kind.POINTER:
            return {place: self._pointer_edit(place, guess, address)}
        if guess.kind is Kind.END:
            return self._end_edit(place, guess, address)
        if not self._is_allowed(place, guess, value):
            return {}
        is_register = place.room in ("gpr", "hi", "lo")
        return {place: sign_extended(value) if is_register and "wide" not in guess.uses else value}

    def _is_allowed(self, place: Place, guess: Guess, value: int) -> bool:
        """Whether the user allows the value, signed or not."""
        if guess.length_of is not None:
            return value < guess.limit
        signed = value - (1 << 8 * place.size) if value >> 8 * place.size - 1 else value
        return not guess.values or value in guess.values or signed in guess.values

    def _pointer_edit(self, place: Place, guess: Guess, value: int) -> int:
        """An address, or what an edit says already, as an edit of a pointer; null only where the code tests for it."""
        if value == 0:
            return 0 if guess.as_input(place).nullable else NOT_NULL
        if value < TO_BLOCK + len(self._blocks) or SHIFTED <= value < SHIFTED + MOST_SHIFT:
            return value
        shift = (value - cell_address(self._arena, guess.block) + MOST_SHIFT) % (1 << 64)
        if guess.block >= 0 and shift < 2 * MOST_SHIFT and shift % MOST_SHIFT:  # only its alignment matters
            return SHIFTED + shift % MOST_SHIFT
        first = cell_address(self._arena, 0) - MOST_SHIFT
        number, distance = divmod(value % (1 << 64) - first, CELL)  # near another block is as good as at it
        return TO_BLOCK + number if distance < 2 * MOST_SHIFT and 0 <= number < len(self._blocks) else NOT_NULL

    def _end_edit(self, place: Place, guess: Guess, value: int) -> dict[Place, int]:
        """An address, or what an edit says already, as an edit of an end: a little behind its block, or at another."""
        if value <= MOST_EXTENT:
            return {place: value} if value <= MOST_FIELDS else {}
        if AT_BLOCK <= value < AT_BLOCK + len(self._blocks):
            return {place: value}
        distance = value - cell_address(self._arena, guess.block)
        number, off = divmod(value - cell_address(self._arena, 0), CELL)
        if not off and number != guess.block and 0 <= number < len(self._blocks):
            return {place: AT_BLOCK + number}
        return {place: distance} if 0 <= distance <= MOST_FIELDS else {}

    def _kind(self, place: Place) -> Kind | None:
        guess = self._guesses.get(place)
        return guess.kind if guess is not None else None


def _doublewords(place: Place) -> list[tuple[str, int, int]]:
    """Those that a place has a part in."""
    room, number, offset, size = place
    return [(room, number, part) for part in range(offset >> 3, (offset + size - 1 >> 3) + 1)]
