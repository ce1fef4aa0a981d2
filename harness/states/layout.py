"""Where the harness puts what a caller would provide: arena, stack and the registers of a call.

The arena holds the objects that pointers lead to. It comes in two layouts: *apart*, for the search, where every block
has a cell of its own between unmapped pages, so that each byte too far is noticed; and *packed*, for the check, where
blocks are neighbours, so that few pages have to be copied and compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import NamedTuple

from harness.abi import GP, RA, SP, Abi
from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Region
from harness.program.model import Function, Program
from harness.states.model import Block

_FIRST_WINDOW = 0xFFFF_FFFF_8040_0000
_WINDOW = 0x40_0000
_STACK_OFFSET = 0x3F_0000
_STACK_BYTES = 0x4000
#: Bytes between ``sp`` at the call and the end of the stack: home area and stack arguments.
_ABOVE_SP = 0x400

#: Units: bytes of address space that a block has to itself while its shape is searched, half of it below its address.
CELL = 0x1_0000
#: How many cells fit below the stack.
MOST_BLOCKS = _STACK_OFFSET // CELL - 1


class Window(NamedTuple):
    """Free guest addresses for arena and stack; ``sp`` is the stack pointer at the call."""

    arena: int
    stack: int
    sp: int


def window(program: Program) -> Window:
    """The first 4 MiB of kseg0 at or above ffffffff80400000 where neither the image nor anything outside is."""
    start = _FIRST_WINDOW
    while any(first < start + _WINDOW and start < end for first, end in program.taken()):
        start += _WINDOW
    stack = start + _STACK_OFFSET
    return Window(start, stack, stack + _STACK_BYTES - _ABOVE_SP)


def base_state(program: Program, function: Function, abi: Abi, fr: bool, arena: Iterable[Region] = ()) -> MachineState:
    """The state in which a caller calls ``function`` with every argument zero."""
    place = window(program)
    gpr = [0] * 32
    gpr[GP], gpr[SP], gpr[RA] = program.gp, place.sp, RETURN_ADDRESS
    stack = Region(place.stack, bytes(_STACK_BYTES), writable=True, name="stack")
    return MachineState(
        pc=function.address,
        gpr=tuple(gpr),
        hi=0,
        lo=0,
        fpr=(0,) * 32,
        fcsr=0,
        fr=fr,
        memory=tuple(sorted((*program.regions, *arena, stack), key=lambda region: region.address)),
    )


def apart(start: int, extents: Sequence[tuple[int, int]]) -> tuple[Region, ...]:
    """The arena with a cell for each block; of each, the bytes (low, high) are mapped, out to whole pages."""
    regions = []
    for number, (low, high) in enumerate(extents):
        address = cell_address(start, number)
        first = (address + low) // PAGE * PAGE
        last = -(-(address + max(high, low + 1)) // PAGE) * PAGE
        regions.append(Region(first, bytes(last - first), writable=True, name=f"block {number}"))
    return tuple(regions)


def cell_address(start: int, number: int) -> int:
    """What pointers to block ``number`` hold in the layout with cells."""
    return start + number * CELL + CELL // 2


def packed(start: int, blocks: Sequence[Block]) -> tuple[tuple[Block, ...], tuple[Region, ...]]:
    """The blocks as neighbours, at multiples of 16 bytes, in as few pages as hold them."""
    placed = []
    free = start
    for block in blocks:
        address = free + -(block.low // 16) * 16
        placed.append(replace(block, address=address))
        free = -(-(address + block.high + block.spare) // 16) * 16
    size = -(-(free - start) // PAGE) * PAGE
    return tuple(placed), (Region(start, bytes(size), writable=True, name="arena"),) if placed else ()
