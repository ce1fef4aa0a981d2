"""What runs that are aimed at something need beyond what others have read: further words, and further objects."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from harness.states.guesses import FoundBlock, Guess
from harness.states.inverse import Wanted
from harness.states.layout import MOST_BLOCKS
from harness.states.model import TO_BLOCK, Kind, Place

#: Pointers on the way to the last object of a linked structure that is made longer.
_MOST_CHAIN = 14


class Growth:
    """Adds to ``guesses`` and ``blocks``, which grow otherwise too."""

    def __init__(self, guesses: dict[Place, Guess], blocks: list[FoundBlock]) -> None:
        self._guesses = guesses
        self._blocks = blocks

    def has_ends(self) -> bool:
        """Whether a linked structure was cut off by null."""
        return any(guess.fixed and place.room == "block" for place, guess in self._guesses.items())

    def find_ends(self, compared: Iterable[tuple[Place, Place]]) -> None:
        """Takes scalars that were ``compared`` with an address, and with no number, for ends of that block.

        Only to be asked late: until it is used, a second pointer looks the same.
        """
        for pair in compared:
            for place, other in (pair, pair[::-1]):
                guess, pointer = self._guesses.get(place), self._guesses.get(other)
                if guess is None or guess.kind is not Kind.SCALAR or guess.is_told or "number" in guess.uses:
                    continue
                if pointer is not None and pointer.kind in (Kind.POINTER, Kind.END) and pointer.block >= 0:
                    guess.kind, guess.block = Kind.END, pointer.block

    def adopt(self, wanted: Wanted) -> list[Place]:
        """Takes over words that no run has read yet, and that one is to read now; gives those."""
        adopted = [place for place, _ in wanted if place not in self._guesses]
        for place in adopted:
            self._guesses[place] = Guess()
            if place.room == "block":
                block = self._blocks[place.number]
                low, high = block.mapped
                block.mapped = min(low, place.offset), max(high, place.offset + place.size)
        return adopted

    def give_back(self, adopted: Sequence[Place]) -> None:
        """Forgets those that no run has read after all."""
        for place in adopted:
            if not self._guesses[place].is_read:
                del self._guesses[place]

    def deepen(self, wanted: Wanted) -> dict[Place, int]:
        """Gives the ends of linked structures among words that are to be other than null an object more.

        Only where a branch asks for it: code that handles each of the first objects in a place of its own. Gives those
        ends, each with the edit that says what it was until now.
        """
        ends = [place for place, value in wanted if place in self._guesses and self._is_end(place, value)]
        before: dict[Place, int] = {}
        for place in ends:
            depth = self._blocks[place.number].depth + 1 if place.room == "block" else 1
            if depth > _MOST_CHAIN or len(self._blocks) >= MOST_BLOCKS:
                break
            guess = self._guesses[place]
            before[place] = 0 if guess.fixed else TO_BLOCK + guess.block
            guess.kind, guess.fixed, guess.block = Kind.POINTER, False, len(self._blocks)
            self._blocks.append(FoundBlock(depth))
        return before

    @property
    def blocks(self) -> int:
        """How many objects there are by now."""
        return len(self._blocks)

    def rings(self, values: Mapping[Place, int]) -> Wanted:
        """The pointers that lead back to the object that they lie in, or to another one that was there before."""
        held = [(place, value) for place, value in values.items() if place in self._guesses]
        return tuple((place, value) for place, value in held if self._leads_back(place, value))

    def _leads_back(self, place: Place, value: int) -> bool:
        return self._is_end(place, value) or (place.room == "block" and value == TO_BLOCK + place.number)

    def _is_end(self, place: Place, value: int) -> bool:
        """Whether a pointer that is to hold ``value`` has no object of its own, and needs one to hold that."""
        guess = self._guesses[place]
        if guess.kind is Kind.END:  # taken for the end of a buffer, yet followed
            return "address" in guess.uses
        is_last = guess.fixed or (guess.kind is Kind.POINTER and guess.block == place.number)
        return is_last and place.room == "block" and value != 0
