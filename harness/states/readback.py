"""The words of a finished state, as the search for a shape speaks of them: so that it can go on from that state."""

from __future__ import annotations

from harness.abi import SP
from harness.engines.base import MachineState
from harness.states.model import AT_BLOCK, MOST_SHIFT, NOT_NULL, SHIFTED, TO_BLOCK, Input, Kind, Place, Shape
from harness.states.words import Word, sign_extended, value_of


def words_of(shape: Shape, state: MachineState) -> dict[Place, int]:
    """What the inputs of ``shape`` hold in one of its states; pointers say where to, as edits do."""
    numbers = {block.address: block.number for block in shape.blocks}
    return {item.place: _edit(shape, item, _held(shape, item.place, state), numbers) for item in shape.inputs}


def _edit(shape: Shape, item: Input, value: int, numbers: dict[int, int]) -> int:
    if item.kind is Kind.FUNCTION:
        return sign_extended(value)
    if item.kind is Kind.END:
        own, other = shape.blocks[item.block], numbers.get(value)
        if other is not None and not own.address <= value <= own.address + own.high:
            return AT_BLOCK + other
        return max(0, value - own.address)
    if item.kind is not Kind.POINTER or not value:
        return value
    address = value % (1 << 64) if item.place.size == 8 else value | ~0xFFFF_FFFF & (1 << 64) - 1
    number = numbers.get(address)
    if item.block >= 0 and 0 < (shift := address - shape.blocks[item.block].address) < MOST_SHIFT:
        return SHIFTED + shift
    return NOT_NULL if number is None or number == item.block else TO_BLOCK + number


def _held(shape: Shape, place: Place, state: MachineState) -> int:
    """The unsigned value at a place."""
    if place.room in ("gpr", "fpr", "hi", "lo"):
        width = 8 if place.room != "fpr" or state.fr else 4
        value = value_of(state, Word(place.room, place.number))
        return value >> 8 * (width - place.offset - place.size) & (1 << 8 * place.size) - 1
    address = place.offset
    if place.room == "block":
        address += shape.blocks[place.number].address
    elif place.room == "stack":
        address += value_of(state, Word("gpr", SP))
    region = next(region for region in state.memory if region.address <= address < region.end)
    start = address - region.address
    return int.from_bytes(region.data[start : start + place.size], "big")
