"""What a run of the reference reached, read off the blocks that it went through."""

from __future__ import annotations

from collections.abc import Iterator

from harness.engines.base import Coverage
from interp.blocks import Block, Key
from interp.machine import Machine
from interp.words import zext64


def coverage(machine: Machine) -> Coverage:
    """What the last run reached, the instruction that trapped included.

    A branch to the instruction after its slot counts for both directions.
    """
    instructions: set[int] = set()
    edges: set[tuple[int, bool]] = set()
    for block, key in set(_pairs(machine)):
        instructions.update(block.addresses)
        if block.branch is not None and block.exits:
            edges.update((block.branch, taken) for taken in (False, True) if block.exits[taken] == key)
    return Coverage(frozenset(instructions), frozenset(edges))


def jumps(machine: Machine) -> frozenset[tuple[int, int]]:
    """The jumps through registers of the last run: (where the block of the jump begins, target), unsigned."""
    return frozenset(
        (block.addresses[0], zext64(key))
        for block, key in _pairs(machine)
        if block.exits is None and isinstance(key, int)
    )


def _pairs(machine: Machine) -> Iterator[tuple[Block, Key | None]]:
    """Each block that ran, with what came behind it; None after a trap."""
    keys = [*(block.key for block in machine.trail[1:]), machine.next]
    return zip(machine.trail, keys, strict=False)
