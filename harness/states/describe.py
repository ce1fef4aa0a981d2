"""A shape as a tree for people: arguments, what each is, and the fields of the objects that pointers lead to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.results import ShapeNode
from harness.states.model import Input, Kind, Shape

_KINDS = {Kind.FLOAT: "single", Kind.DOUBLE: "double", Kind.DOUBLE_HIGH: "double, high word"}
_KINDS |= {Kind.DOUBLE_LOW: "double, low word"}


def described(shape: Shape) -> tuple[ShapeNode, ...]:
    """One node for each word, or array of like words, that is no field of an object; objects hang below."""
    roots = [item for item in shape.inputs if item.place.room != "block"]
    return _nodes(shape, roots, ())


def _nodes(shape: Shape, items: Sequence[Input], above: tuple[int, ...]) -> tuple[ShapeNode, ...]:
    nodes: list[ShapeNode] = []
    after = -1  # the offset at which a further element of the last node would lie
    for item in items:
        node = _node(shape, item, above)
        if nodes and item.place.offset == after and replace(node, place="") == replace(nodes[-1], place="", count=1):
            nodes[-1] = replace(nodes[-1], count=nodes[-1].count + 1)
        else:
            nodes.append(node)
        after = item.place.offset + item.place.size if item.place.room in ("block", "image", "stack") else -1
    return tuple(nodes)


def _node(shape: Shape, item: Input, above: tuple[int, ...]) -> ShapeNode:
    place = str(item.place)
    if item.kind is not Kind.POINTER:
        return ShapeNode(place, _word(shape, item))
    if item.fixed:
        return ShapeNode(place, "null")
    or_null = " or null" if item.nullable else ""
    fields = _fields(shape, item.block)
    like = next((block for block in reversed(above) if _is_like(fields, _fields(shape, block))), None)
    if item.block in above or like is not None:
        return ShapeNode(place, f"pointer{or_null} to another of these objects")
    block = shape.blocks[item.block]
    below = f" and {-block.low} before it" if block.low else ""
    return ShapeNode(
        place,
        f"pointer{or_null} to {block.high} bytes{below}",
        fields=_nodes(shape, fields, (*above, item.block)),
    )


def _word(shape: Shape, item: Input) -> str:
    if item.kind is Kind.FUNCTION:
        return f"function, one of {len(item.values or shape.functions)}"
    if item.kind is Kind.END:
        return f"address in the object at {_owner(shape, item.block)}"
    if item.values:
        ends = f"{item.values[0]} to {item.values[-1]}"
        return ends if isinstance(item.values, range) else f"one of {', '.join(map(str, item.values))}"
    if item.kind is Kind.COUNT:
        return f"count below {item.limit}"
    if item.kind is not Kind.SCALAR:
        return _KINDS[item.kind]
    signed = "signed " if item.signed else ""
    return f"{signed}integer of {8 * item.place.size} bits"


def _fields(shape: Shape, block: int) -> list[Input]:
    return [item for item in shape.inputs if item.place.room == "block" and item.place.number == block]


def _is_like(fields: Sequence[Input], others: Sequence[Input]) -> bool:
    """Whether an object looks like another one, as far as it was read: the next node of a list or tree."""
    kinds = [{(one.place.offset, one.place.size, one.kind) for one in side} for side in (fields, others)]
    return bool(fields) and kinds[0] <= kinds[1] and any(one.kind is Kind.POINTER for one in others)


def _owner(shape: Shape, block: int) -> str:
    return next((str(one.place) for one in shape.inputs if one.kind is Kind.POINTER and one.block == block), "?")
