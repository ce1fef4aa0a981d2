"""What the user says of a function's arguments, as the search for its shape begins with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.abi import GPR_NAMES, Abi
from harness.config.hints import Hint
from harness.states.guesses import FoundBlock, Guess
from harness.states.model import Kind, Place


def told(hints: Sequence[Hint], abi: Abi, fr: bool, blocks: list[FoundBlock]) -> dict[Place, Guess]:
    """A guess for each argument that the user describes; ``blocks`` gets the objects of the pointers among them."""
    guesses: dict[Place, Guess] = {}
    for hint in hints:
        guess = guesses[place_of(hint.place, abi, fr)] = Guess(values=hint.values, is_told=True)
        if hint.bytes is not None:
            guess.kind, guess.block, guess.null = Kind.POINTER, len(blocks), hint.null
            blocks.append(FoundBlock(depth=1, mapped=(0, hint.bytes), touched=(0, hint.bytes)))
        elif hint.length_of:
            guess.kind, guess.length_of, guess.unit = Kind.COUNT, place_of(hint.length_of, abi, fr), hint.unit
            guess.limit = 1
    return guesses


def measure(guesses: Mapping[Place, Guess], blocks: Sequence[FoundBlock]) -> None:
    """Sets the limit of each length by the size that its object has as far as is known."""
    for guess in guesses.values():
        if guess.length_of is not None:
            pointer = guesses.get(guess.length_of)
            size = blocks[pointer.block].touched[1] if pointer is not None and pointer.block >= 0 else 0
            guess.limit = size // guess.unit + 1


def place_of(text: str, abi: Abi, fr: bool) -> Place:
    """The place that ``tally.toml`` names so."""
    if text in GPR_NAMES:
        return Place("gpr", GPR_NAMES.index(text), 0, 8)
    if text.startswith("sp+"):
        return Place("stack", 0, int(text[3:], 0), abi.slot_bytes)
    return Place("fpr", int(text[1:]), 0, 8 if fr else 4)
