"""States made from drafts, on shapes of small programs."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import find, settings
from machine_code import A0, A1, ARRAY_SUM, DATA, IDENTITY, LIST_SUM, MAGIC, NOP, RETURN, T0, T1, V0, program

from harness.abi import ABIS, GP, RA, SP
from harness.engines.base import RETURN_ADDRESS, MachineState
from harness.program.assembly import encode
from harness.states.draw import Draft, drafts, examples
from harness.states.expand import FAMILY, expand, family
from harness.states.model import NOT_NULL, Kind, Shape
from harness.states.shape import find_shape
from harness.states.source import ShapedStates
from harness.states.words import is_canonical


def shape_of(code: tuple[int, ...], abi: str = "o32", data: bytes = b"") -> Shape:
    image = program(code, data=data)
    return find_shape(image, image.functions[0], ABIS[abi], ABIS[abi].fr)


def states_of(shape: Shape, families: int = 25) -> list[MachineState]:
    return [state for seed in range(families) for state in family(shape, Draft(seed))]


def gpr(state: MachineState, number: int) -> int:
    value = state.gpr[number]
    assert value is not None
    return value


@pytest.mark.parametrize("code", [LIST_SUM, ARRAY_SUM, MAGIC], ids=["list", "array", "magic"])
def test_a_state_follows_from_shape_draft_and_member_alone(code: tuple[int, ...]) -> None:
    shape = shape_of(code)
    draft = Draft(12345)
    assert family(shape, draft) == family(shape, draft)
    assert expand(shape, draft, member=5) == family(shape, draft)[5]


def test_the_members_of_a_family_differ_and_so_do_families() -> None:
    shape = shape_of(ARRAY_SUM)
    states = [state.gpr for state in states_of(shape)]
    assert len(states) == 25 * FAMILY
    assert len(set(states)) == len(states)


def test_every_general_register_of_word_code_is_canonical() -> None:
    for state in states_of(shape_of(ARRAY_SUM)):
        assert all(is_canonical(gpr(state, n)) for n in range(32))


def test_a_register_of_64_bit_operations_also_takes_values_that_do_not_fit_a_word() -> None:
    states = states_of(shape_of((encode("daddu", d=V0, s=A0, t=A1), *RETURN), abi="n32"))
    assert sum(not is_canonical(gpr(state, A0)) for state in states) > len(states) // 4
    assert all(is_canonical(gpr(state, T0)) for state in states)


def test_what_every_call_sets_up_is_never_drawn() -> None:
    shape = shape_of(MAGIC)
    for state in states_of(shape):
        assert gpr(state, 0) == 0
        assert gpr(state, RA) == RETURN_ADDRESS
        assert (gpr(state, SP), gpr(state, GP)) == (shape.base.gpr[SP], shape.base.gpr[GP])
        assert state.pc == shape.function.address


def test_unread_registers_take_many_values_so_that_a_lost_one_shows() -> None:
    states = states_of(shape_of(MAGIC))
    for number in (1, 3, *range(8, 26), 30):
        assert len({gpr(state, number) for state in states}) > 20
    for number in range(32):
        assert len({state.fpr[number] for state in states}) > 20
    assert len({state.hi for state in states}) > 20
    assert len({state.lo for state in states}) > 20


def test_only_the_rounding_mode_of_fcsr_is_drawn_and_mostly_nearest() -> None:
    modes = [state.fcsr for state in states_of(shape_of(MAGIC))]
    assert set(modes) == {0, 1, 2, 3}
    assert modes.count(0) > 0.7 * len(modes)


def test_the_regions_of_all_states_of_a_shape_lie_at_the_same_addresses() -> None:
    shape = shape_of(LIST_SUM)
    places = {tuple((r.address, len(r.data), r.writable) for r in state.memory) for state in states_of(shape, 5)}
    assert places == {tuple((r.address, len(r.data), r.writable) for r in shape.base.memory)}


def test_regions_that_no_input_lies_in_are_shared_with_the_base_state() -> None:
    shape = shape_of(ARRAY_SUM)
    for state in states_of(shape, 3):
        shared = [r.name for r, base in zip(state.memory, shape.base.memory, strict=True) if r is base]
        assert shared == [".text", ".data", "stack"]


def test_pointers_lead_into_the_arena_and_null_only_where_the_code_tests_for_it() -> None:
    arena = next(r for r in shape_of(LIST_SUM).base.memory if r.name == "arena")
    heads = [gpr(state, A0) for state in states_of(shape_of(LIST_SUM))]
    assert 0 in heads
    assert all(head == 0 or arena.address <= head < arena.end for head in heads)
    assert all(gpr(state, A0) != 0 for state in states_of(shape_of(ARRAY_SUM)))


def test_a_list_becomes_a_ring_only_where_the_function_ends_all_the_same() -> None:
    """LIST_SUM never leaves a ring; with a limit of 64 nodes it does."""
    limited = (
        encode("addiu", t=T1, i=64),
        *LIST_SUM[:2],
        encode("addiu", t=T1, s=T1, i=-1),
        *LIST_SUM[3:6],
        encode("bgtz", s=T1, i=-6),
        NOP,
        *RETURN,
    )
    assert not shape_of(LIST_SUM).rings
    shape = shape_of(limited)
    assert shape.rings
    (end,) = (item.place for item in shape.inputs if item.fixed)
    address = shape.blocks[end.number].address
    last_words = set()
    for state in states_of(shape):
        arena = next(r for r in state.memory if r.name == "arena")
        start = address + end.offset - arena.address
        last_words.add(int.from_bytes(arena.data[start : start + 4], "big"))
    assert last_words == {0, address & 0xFFFF_FFFF}


def test_counts_stay_below_their_limit() -> None:
    assert {gpr(state, A1) for state in states_of(shape_of(ARRAY_SUM))} <= set(range(16))


def test_two_pointers_sometimes_lead_to_the_same_object_and_sometimes_overlap() -> None:
    code = (
        encode("lw", t=V0, s=A0),
        encode("lw", t=T0, s=A0, i=4),
        encode("lw", t=T0, s=A1),
        encode("lw", t=T0, s=A1, i=4),
        *RETURN,
    )
    distances = {gpr(state, A1) - gpr(state, A0) for state in states_of(shape_of(code), 60)}
    assert 0 in distances
    assert distances & {-4, 4}


def test_constants_of_the_code_and_their_neighbours_are_drawn() -> None:
    values = [gpr(state, A0) for state in states_of(shape_of(MAGIC))]
    assert {0x12344, 0x12345, 0x12346} <= set(values)


def test_edits_hold_in_the_first_member_and_mostly_in_the_others() -> None:
    shape = shape_of(MAGIC)
    (item,) = shape.inputs
    states = family(shape, Draft(7, ((item.place, 42),)), size=40)
    assert gpr(states[0], A0) == 42
    assert 20 < sum(gpr(state, A0) == 42 for state in states) < 40


def test_an_edit_of_a_pointer_says_only_whether_it_is_null() -> None:
    shape = shape_of(LIST_SUM)
    head = shape.inputs[0]
    assert head.kind is Kind.POINTER
    for seed in range(40):
        assert gpr(expand(shape, Draft(seed, ((head.place, 0),))), A0) == 0
        assert gpr(expand(shape, Draft(seed, ((head.place, NOT_NULL),))), A0) != 0


def test_a_variable_of_the_image_is_drawn_only_where_the_code_reads_it() -> None:
    """return variable; the word at DATA + 0x10"""
    code = (encode("lui", t=T0, i=-0x8000), encode("lw", t=V0, s=T0, i=0x2010), *RETURN)
    shape = shape_of(code, data=bytes(range(64)))
    changed = set()
    for state in states_of(shape):
        region = next(r for r in state.memory if r.address == DATA)
        changed |= {n for n, byte in enumerate(region.data) if byte != (n if n < 64 else 0)}
    assert changed == {0x10, 0x11, 0x12, 0x13}


def test_hypothesis_draws_plain_seeds_and_variations_of_what_was_kept() -> None:
    shape = shape_of(MAGIC)
    quick = settings(database=None, derandomize=True)
    assert find(drafts(shape.kept), lambda draft: draft.edits == (), settings=quick).edits == ()
    for kept in shape.kept:
        assert find(drafts(shape.kept), lambda draft, kept=kept: draft.edits == kept, settings=quick).edits == kept


def test_the_first_states_are_the_base_and_then_one_for_each_way_that_was_found() -> None:
    shape = shape_of(MAGIC)
    opening = list(ShapedStates(shape).opening(1000))
    assert opening[0] == shape.base
    assert [draft.edits for draft in examples(shape)[1:]] == list(shape.kept)
    assert {gpr(state, A0) == 0x12345 for state in opening} == {True, False}
    assert list(ShapedStates(shape).opening(4)) == opening[:2], "half of all states are left for drawn ones"


def test_a_shape_without_inputs_still_yields_states() -> None:
    shape = shape_of((*IDENTITY[:1], encode("addiu", t=V0, i=3)))
    assert str(shape) == "reads no argument"
    assert len(family(shape, Draft(0))) == FAMILY


def test_the_wild_values_of_a_shape_become_small_ones_when_it_is_tame() -> None:
    shape = shape_of((encode("daddu", d=V0, s=A0, t=A1), *RETURN), abi="n32")
    tame = dataclasses.replace(shape, tameness=2)
    small = sum(gpr(state, A0) < 16 for state in states_of(tame))
    assert small > 0.8 * len(states_of(tame))
