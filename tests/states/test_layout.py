"""Where arena and stack lie, and what a caller sets up."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from machine_code import MAGIC, program

from harness.abi import ABIS, RA, SP
from harness.engines.base import PAGE, RETURN_ADDRESS, Region
from harness.engines.outside import Boundary, DeviceWindow
from harness.program.outside import Surroundings
from harness.states.layout import CELL, apart, base_state, cell_address, packed, window
from harness.states.model import Block

ARENA = 0xFFFF_FFFF_8040_0000


def test_arena_and_stack_move_on_where_the_image_is_in_the_way() -> None:
    image = program(MAGIC)
    assert window(image).arena == ARENA
    in_the_way = Region(0xFFFF_FFFF_8060_0000, bytes(PAGE), writable=True)
    assert window(replace(image, regions=(*image.regions, in_the_way))).arena == ARENA + 0x40_0000


@pytest.mark.parametrize(
    ("boundary", "device"), [(ARENA + 0x40_0000, ARENA), (ARENA, ARENA + 0x2000_0000)], ids=["kseg0", "device-in-kseg1"]
)
def test_arena_and_stack_move_on_where_something_outside_is_in_the_way(boundary: int, device: int) -> None:
    around = Surroundings(ABIS["o32"], (Boundary("port_send", boundary),), (DeviceWindow("crane", device, 16),))
    moved = 1 + (boundary != ARENA)
    assert window(replace(program(MAGIC), around=around)).arena == ARENA + moved * 0x40_0000


def test_a_call_finds_an_aligned_stack_with_room_on_both_sides() -> None:
    image = program(MAGIC)
    state = base_state(image, image.functions[0], ABIS["n32"], fr=True)
    stack = next(region for region in state.memory if region.name == "stack")
    sp = state.gpr[SP]
    assert sp is not None
    assert sp % 16 == 0
    assert sp - stack.address >= 0x2000
    assert stack.end - sp >= 0x100
    assert state.gpr[RA] == RETURN_ADDRESS
    assert not any(region.address <= RETURN_ADDRESS < region.end for region in state.memory)


def test_memory_ascends_and_does_not_overlap() -> None:
    image = program(MAGIC)
    state = base_state(image, image.functions[0], ABIS["o32"], fr=False, arena=apart(ARENA, [(0, 1), (-8, 5000)]))
    for lower, upper in pairwise(state.memory):
        assert lower.end <= upper.address


def test_cells_map_whole_pages_round_a_block_and_nothing_between() -> None:
    first, second = apart(ARENA, [(0, 1), (-8, 5000)])
    assert (first.address, first.end) == (cell_address(ARENA, 0), cell_address(ARENA, 0) + PAGE)
    assert (second.address, second.end) == (cell_address(ARENA, 1) - PAGE, cell_address(ARENA, 1) + 2 * PAGE)
    assert cell_address(ARENA, 1) - cell_address(ARENA, 0) == CELL


def test_packed_blocks_are_neighbours_that_do_not_overlap() -> None:
    blocks = [
        Block(number, 0, low, high, spare=16, alignment=4, depth=1)
        for number, (low, high) in enumerate([(0, 12), (-20, 4), (0, 0), (0, 100)])
    ]
    placed, (arena,) = packed(ARENA, blocks)
    assert (arena.address, len(arena.data)) == (ARENA, PAGE)
    assert [block.address % 16 for block in placed] == [0, 0, 0, 0]
    assert placed[0].address + placed[0].low == ARENA
    for lower, upper in pairwise(placed):
        assert lower.address + lower.high + lower.spare <= upper.address + upper.low
    assert placed[-1].address + 100 + 16 <= arena.end


def test_no_block_needs_no_arena() -> None:
    assert packed(ARENA, []) == ((), ())
