"""Loops: where a function has them, and what would make one go on for as long as it can.

A loop that ends after so many turns, or at the end of a text, goes through a branch that no single word turns round:
each turn looks at words of its own, and all of them must be such that it goes on.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from harness.states.inverse import Condition, Wanted
from harness.states.model import Place
from interp.optable import Kind, decode

#: Where a branch leads back to, and that branch.
Loop = tuple[int, int]

#: Units: bytes on either side of an object's address that are filled, and words that are.
_MOST_EXTENT = 0x200
_MOST_WORDS = 256


def loops(words: Iterable[tuple[int, int]]) -> Iterator[Loop]:
    """Where branches and jumps lead back: (target, address)."""
    for address, word in words:
        insn = decode(word)
        if insn is None or insn.row.links or insn.row.kind not in (Kind.BRANCH, Kind.LIKELY, Kind.JUMP):
            continue
        if insn.target(address) <= address:
            yield insn.target(address), address


def repeated(path: Sequence[Condition], held: Mapping[Place, int], position: int) -> Wanted:
    """The words that later turns of a loop look at, each with what the last turn before ``position`` saw in its place.

    Empty where the run came there once only, or where its turns looked at the same words.
    """
    begin = _last(path, path[position].address, position)
    if begin < 0:
        return ()
    wanted: dict[Place, int] = {}
    for index in range(begin + 1, position + 1):
        before = _last(path, path[index].address, min(index, begin + 1))
        if before < 0:
            continue
        for one, other in zip(_places(path[before]), _places(path[index]), strict=False):
            wanted |= _following(one, other, held)
    return tuple(wanted.items())


def _last(path: Sequence[Condition], address: int, end: int) -> int:
    """Where the condition at ``address`` ran last before ``end``, -1 if it did not."""
    return next((index for index in range(end - 1, -1, -1) if path[index].address == address), -1)


def _places(condition: Condition) -> list[Place]:
    return sorted({place for operand in condition.made.operands for place in operand.places})


def _following(before: Place, last: Place, held: Mapping[Place, int]) -> dict[Place, int]:
    """The places as far behind ``last`` as that is behind ``before``, and so on, with what ``last`` holds."""
    stride = last.offset - before.offset
    if last.room != "block" or last.size != before.size or last.number != before.number or not stride:
        return {}
    value = held[last] & (1 << 8 * last.size) - 1
    edge = _MOST_EXTENT if stride > 0 else -_MOST_EXTENT
    offsets = range(last.offset + stride, edge, stride)[:_MOST_WORDS]
    return {last._replace(offset=offset): value for offset in offsets}
