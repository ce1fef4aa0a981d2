"""From a draft to the states it stands for.

Each state of a family is a function of (shape, draft, number in the family), so any of them can be made again alone.
"""

from __future__ import annotations

from collections import Counter
from random import Random

from harness.engines.base import MachineState
from harness.states import values
from harness.states.builder import StateBuilder
from harness.states.draw import Draft
from harness.states.model import AT_BLOCK, FIXED_GPRS, MOST_SHIFT, SHIFTED, TO_BLOCK, Block, Input, Kind, Place, Shape
from harness.states.words import sign_extended

#: States that one draft expands into by default.
FAMILY = 8

#: Elements of big objects that are drawn one by one; the others keep the filling of their object.
_MOST_FIELDS = 48

#: The tameness at which every state is a kept one with a single word changed.
_CLOSE_TO_KEPT = 3

# What registers hold that the function does not read: drawn from stores of values because that is many times faster.
_STORE = Random(0)
_INTEGERS = tuple(sign_extended(values.integer(_STORE, 32, ())) for _ in range(1024))
_FLOATS = tuple(values.float_bits(_STORE) for _ in range(1024))
_DOUBLES = tuple(values.double_bits(_STORE) for _ in range(1024))

_ALWAYS = ("gpr", "fpr", "hi", "lo", "stack")


def family(shape: Shape, draft: Draft, size: int = FAMILY) -> tuple[MachineState, ...]:
    """The states that ``draft`` stands for; member 0 holds the draft's words, the others vary more and more of them."""
    return tuple(expand(shape, draft, member) for member in range(size))


def expand(shape: Shape, draft: Draft, member: int = 0) -> MachineState:
    """One state of the draft's family.

    General registers hold canonical values except where the function uses them in 64-bit operations only; pointers
    lead to their blocks, now and then to each other's; the image changes only in variables that the function was
    seen to read.
    """
    rng = Random(draft.seed << 8 | member)
    builder = StateBuilder(shape.base, [block.address for block in shape.blocks])
    _draw_unread_registers(builder, rng)
    for block in shape.blocks:
        builder.write_bytes(block.address + block.low, _filling(rng, shape, block))
    edits = _edits(rng, shape, draft, member)
    alone = _drawn_alone(rng, shape)
    for item in shape.inputs:
        edit = edits.get(item.place)
        if item.kind is Kind.POINTER:
            builder.write(item.place, _pointer_or_null(rng, shape, item, edit))
        elif item.kind is Kind.END:
            builder.write(item.place, _end(rng, shape, item, edit))
        elif edit is not None:
            builder.write(item.place, edit)
        elif item.kind is Kind.FUNCTION:
            builder.write(item.place, rng.choice(item.values or shape.functions))
        elif item.place in alone:
            builder.write(item.place, values.draw(rng, item, shape.constants, shape.tameness))
    return builder.state()


def _edits(rng: Random, shape: Shape, draft: Draft, member: int) -> dict[Place, int]:
    """The draft's words that hold in one member: all in the first one, most in the others."""
    if draft.edits or shape.tameness < _CLOSE_TO_KEPT or not shape.kept:
        return dict(edit for edit in draft.edits if member == 0 or rng.random() < 0.8)
    edits = dict(rng.choice(shape.kept))
    if edits:
        del edits[rng.choice(list(edits))]
    return edits


def _draw_unread_registers(builder: StateBuilder, rng: Random) -> None:
    """Gives every register that a call leaves to chance a value, so that one lost or invented is noticed."""
    fixed = {number: builder.gpr[number] for number in FIXED_GPRS}
    builder.gpr[:] = rng.choices(_INTEGERS, k=32)
    for number, value in fixed.items():
        builder.gpr[number] = value
    builder.fpr[:] = rng.choices(_DOUBLES if builder.base.fr else _FLOATS, k=32)
    builder.hi, builder.lo = rng.choices(_INTEGERS, k=2)
    builder.fcsr = rng.randrange(4) if rng.random() < 0.15 else 0


def _drawn_alone(rng: Random, shape: Shape) -> frozenset[Place]:
    """The scalar inputs that get a value of their own; the others keep what filling or image gives them.

    All registers and stack slots do, and so does every word that must stay small or be a float.
    """
    always = {item.place for item in shape.inputs if item.place.room in _ALWAYS or item.kind is Kind.COUNT}
    fields = [item.place for item in shape.inputs if item.place not in always]
    share = rng.choice((0.0, 0.5, 1.0))
    chosen = [place for place in fields if rng.random() < share]
    if len(chosen) > _MOST_FIELDS:
        chosen = rng.sample(chosen, _MOST_FIELDS)
    return frozenset(always).union(chosen)


def _filling(rng: Random, shape: Shape, block: Block) -> bytes:
    """What the bytes of a block hold before its fields are written: elements of its most frequent kind."""
    fields = [item for item in shape.inputs if item.place.room == "block" and item.place.number == block.number]
    plain = Counter((item.place.size, item.kind) for item in fields if item.kind not in (Kind.POINTER, Kind.FUNCTION))
    unit, kind = plain.most_common(1)[0][0] if plain else (1, Kind.SCALAR)
    size = block.high - block.low
    return values.filling(rng, size, unit, kind) if fields else rng.randbytes(size)


def _end(rng: Random, shape: Shape, item: Input, edit: int | None) -> int:
    """The end of a buffer, or the address of any object that an edit names; never that of another one by chance."""
    if edit is not None and AT_BLOCK <= edit < AT_BLOCK + len(shape.blocks):
        return shape.blocks[edit - AT_BLOCK].address
    block = shape.blocks[item.block]
    address = block.address + (_distance(rng, block) if edit is None else edit)
    is_other = address > block.address + block.high and any(other.address == address for other in shape.blocks)
    return address + block.alignment if is_other else address


def _distance(rng: Random, block: Block) -> int:
    """How far from the address of its block an end lies: at it, near it, or where accesses were seen to end."""
    distance = rng.choice((0, rng.randrange(17), rng.randrange(block.high + 1), block.high))
    return distance // block.alignment * block.alignment


def _pointer_or_null(rng: Random, shape: Shape, item: Input, edit: int | None) -> int:
    """A pointer, or null where the code tests for it; the end of a linked structure now and then leads to itself."""
    if item.fixed:
        closes_ring = item.place.room == "block" and (edit is not None or (shape.rings and rng.random() < 0.15))
        return shape.blocks[item.place.number].address if closes_ring else 0
    if edit is not None and TO_BLOCK <= edit < TO_BLOCK + len(shape.blocks):
        return shape.blocks[edit - TO_BLOCK].address
    if edit is not None and SHIFTED <= edit < SHIFTED + MOST_SHIFT:
        return shape.blocks[item.block].address + edit - SHIFTED
    null = edit == 0 or (edit is None and item.nullable and rng.random() < 0.2)
    return 0 if null else _pointer(rng, shape, item)


def _pointer(rng: Random, shape: Shape, item: Input) -> int:
    """The address of the pointer's block; now and then that of another block, or an address a little further on.

    So two pointers are sometimes equal, sometimes overlap, and pointers to bytes are sometimes odd.
    """
    block = shape.blocks[item.block]
    if item.place.room == "block" or rng.random() < 0.8:
        return block.address
    others = [other for other in shape.blocks if other is not block and _can_stand_for(shape, other, block)]
    chosen = rng.choice(others) if others and rng.random() < 0.75 else block
    shift = 0 if rng.random() < 0.5 or _holds_pointers(shape, block) else block.alignment * rng.randrange(1, 4)
    return chosen.address + shift


def _can_stand_for(shape: Shape, other: Block, block: Block) -> bool:
    """Whether a pointer to ``block`` may lead to ``other``: it is as big, and neither holds pointers."""
    return (
        other.low <= block.low
        and other.high >= block.high
        and other.alignment >= block.alignment
        and not _holds_pointers(shape, other)
        and not _holds_pointers(shape, block)
    )


def _holds_pointers(shape: Shape, block: Block) -> bool:
    return any(
        item.kind in (Kind.POINTER, Kind.FUNCTION)
        for item in shape.inputs
        if item.place.room == "block" and item.place.number == block.number
    )
