"""What a user says of arguments holds in every state, whatever the runs show; the functions are read off by hand."""

from __future__ import annotations

import pytest
from machine_code import A0, A1, ARRAY_SUM, MAGIC, NOP, RETURN, T0, V0, program

from harness.abi import ABIS
from harness.config.hints import Hint
from harness.engines.base import MachineState
from harness.program.assembly import encode
from harness.states.draw import Draft
from harness.states.expand import family
from harness.states.model import Kind, Shape
from harness.states.shape import Search
from harness.states.source import ShapedStates


def told_shape(code: tuple[int, ...], *texts: str) -> Shape:
    image = program(code)
    hints = [hint for text in texts if (hint := Hint.of(text)) is not None]
    assert len(hints) == len(texts)
    return Search(image, image.functions[0], ABIS["o32"], False, hints=hints).shape


def states_of(shape: Shape) -> list[MachineState]:
    drawn = [state for seed in range(20) for state in family(shape, Draft(seed))]
    return [*ShapedStates(shape).opening(100), *drawn]


def values(shape: Shape, register: int) -> set[int]:
    return {state.gpr[register] or 0 for state in states_of(shape)}


@pytest.mark.parametrize(
    ("text", "allowed"),
    [
        ("a0: 3 to 9", set(range(3, 10))),
        ("a0: -2 to 1", {(1 << 64) - 2, (1 << 64) - 1, 0, 1}),
        ("a0: one of 5, 74565", {5, 0x12345}),
    ],
)
def test_no_state_but_the_base_leaves_the_values_that_the_user_allows(text: str, allowed: set[int]) -> None:
    """MAGIC compares a0 with 0x12345, which is a favourite where nothing is said."""
    shape = told_shape(MAGIC, text)
    assert values(shape, A0) <= allowed | {shape.base.gpr[A0]}
    assert len(values(shape, A0) & allowed) > 1


def test_a_told_pointer_leads_to_an_object_of_its_size_though_nothing_reads_it() -> None:
    shape = told_shape(MAGIC, "a1: 48 bytes")
    (block,) = shape.blocks
    assert (block.low, block.high) == (0, 48)
    assert all(block.address <= value < block.address + block.spare for value in values(shape, A1))


def test_a_told_pointer_is_null_only_where_the_user_says_so() -> None:
    """if (!a0) return 0; return *a0;"""
    code = (
        encode("beq", s=A0, i=3),
        encode("addu", d=V0),
        encode("lw", t=V0, s=A0),
        NOP,
        *RETURN,
    )
    assert 0 in values(told_shape(code), A0)
    assert 0 not in values(told_shape(code, "a0: 4 bytes"), A0)
    assert 0 in values(told_shape(MAGIC, "a0: 4 bytes or null"), A0)


def test_a_length_is_at_most_the_number_of_elements() -> None:
    """ARRAY_SUM adds a1 words from a0 on."""
    shape = told_shape(ARRAY_SUM, "a0: 24 bytes", "a1: length of a0 by 4")
    assert values(shape, A1) == set(range(7))
    assert shape.blocks[0].high == 24


def test_a_told_number_stays_a_number_where_an_address_is_counted_from_it() -> None:
    """return a0[a1] for bytes; the user says that a1 is the pointer."""
    code = (encode("addu", d=T0, s=A0, t=A1), encode("lbu", t=V0, s=T0), *RETURN)
    shape = told_shape(code, "a0: 0 to 7", "a1: 8 bytes")
    kinds = {str(item.place): item.kind for item in shape.inputs}
    assert kinds["a1"] is Kind.POINTER
    assert values(shape, A0) <= set(range(8))
    assert shape.blocks[0].high == 8
