"""The shapes that the search finds, on code whose inputs can be read off by hand."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import cycle
from pathlib import Path

import pytest
from machine_code import A0, A1, ARRAY_SUM, IDENTITY, LIST_SUM, MAGIC, NOP, RA, RETURN, SP, T0, V0, program

from harness.abi import ABIS
from harness.engines.base import StopKind
from harness.engines.reference import Reference
from harness.program.assembly import encode
from harness.program.elf import load_elf
from harness.program.model import Program
from harness.states.draw import Draft
from harness.states.model import Kind, Shape
from harness.states.shape import find_shape
from harness.states.source import ShapedStates

FIXTURES = Path(__file__).parents[2] / "fixtures" / "tideclock" / "bin"


def shape_of(*functions: tuple[int, ...], abi: str = "o32", data: bytes = b"") -> Shape:
    """The shape of the first function of a small program."""
    image = program(*functions, data=data)
    return find_shape(image, image.functions[0], ABIS[abi], ABIS[abi].fr)


def share_that_returns(image: Program, shape: Shape, families: int = 6) -> float:
    """How many of the first states of a shape run to their end in the reference."""
    reference = Reference()
    reference.load(image.target(shape.function, shape.base.fr))
    source = ShapedStates(shape)
    drafts = [Draft(seed, kept) for seed, kept in zip(range(families), cycle((*shape.kept, ())), strict=False)]
    states = [*source.opening(1000), *(state for draft in drafts for state in source.family(draft))]
    ended = [reference.run(state, 100_000).stop is StopKind.RETURNED for state in states]
    return sum(ended) / len(ended)


def test_a_list_walker_reads_a_chain_of_nodes_that_ends_in_null() -> None:
    assert str(shape_of(LIST_SUM)) == (
        "a0 ->? {+0x0 u32, +0x4 ->? {+0x0 u32, +0x4 ->? {+0x0 u32, +0x4 ->? {+0x0 u32, +0x4 null}}}}"
    )


def test_the_bound_of_a_loop_is_a_small_count_and_the_array_a_block() -> None:
    shape = shape_of(ARRAY_SUM)
    by_name = {str(item.place): item for item in shape.inputs if item.place.room == "gpr"}
    assert by_name["a0"].kind is Kind.POINTER
    assert by_name["a1"].kind is Kind.COUNT
    assert by_name["a1"].limit == 16
    assert shape.blocks[0].high <= 4 * 16


def test_an_index_added_to_a_pointer_is_a_count_whatever_their_order() -> None:
    """return a1[a0];"""
    scaled = encode("sll", d=T0, t=A0, a=2)
    for sum_ in (encode("addu", d=T0, s=T0, t=A1), encode("addu", d=T0, s=A1, t=T0)):
        shape = shape_of((scaled, sum_, encode("lw", t=V0, s=T0, i=0), *RETURN))
        kinds = {str(item.place): item.kind for item in shape.inputs if item.place.room == "gpr"}
        assert kinds == {"a0": Kind.COUNT, "a1": Kind.POINTER}


def test_an_index_into_a_table_of_the_image_is_a_count_and_no_pointer() -> None:
    """return table[a0]; with the table in the image"""
    code = (
        encode("sll", d=T0, t=A0, a=2),
        encode("lui", t=V0, i=-0x8000),
        encode("addu", d=V0, s=V0, t=T0),
        encode("lw", t=V0, s=V0, i=0x2000),
        *RETURN,
    )
    shape = shape_of(code)
    assert [item.kind for item in shape.inputs if str(item.place) == "a0"] == [Kind.COUNT]
    assert shape.blocks == ()


def test_a_pointer_may_be_used_below_its_address() -> None:
    shape = shape_of((encode("lw", t=V0, s=A0, i=-8), *RETURN))
    assert str(shape) == "a0 -> {-0x8 u32}"
    assert (shape.blocks[0].low, shape.blocks[0].high) == (-8, 0)


def test_a_table_of_pointers_is_found_whole_though_it_is_long() -> None:
    """for (i = 0; i < 40; i++) if (table[i]) sum += *table[i]; one run for each of them would be too much"""
    code = (
        encode("addu", d=V0),
        encode("addiu", t=A1, s=A0, i=160),
        encode("lw", t=T0, s=A0),
        encode("beq", s=T0, i=3),
        encode("addiu", t=A0, s=A0, i=4),
        encode("lw", t=T0, s=T0),
        encode("addu", d=V0, s=V0, t=T0),
        encode("bne", s=A0, t=A1, i=-6),
        NOP,
        *RETURN,
    )
    shape = shape_of(code)
    entries = [item for item in shape.inputs if item.place.room == "block" and item.place.number == 0]
    assert len(entries) == 40
    assert {item.kind for item in entries} == {Kind.POINTER}
    assert all(item.nullable for item in entries)


def test_a_function_pointer_leads_to_what_runs_end_with() -> None:
    """a0(7), where one candidate reads through its argument and the other one does not"""
    calls = (
        encode("addiu", t=SP, s=SP, i=-8),
        encode("sw", t=RA, s=SP),
        encode("addu", d=T0, s=A0),
        encode("jalr", s=T0, d=RA),
        encode("addiu", t=A0, i=7),
        encode("lw", t=RA, s=SP),
        encode("jr", s=RA),
        encode("addiu", t=SP, s=SP, i=8),
    )
    reads = (encode("lw", t=V0, s=A0), *RETURN)
    data = (0x8000_1000 + 4 * len(calls)).to_bytes(4, "big")
    shape = shape_of(calls, reads, IDENTITY, data=data)
    (pointer,) = [item for item in shape.inputs if item.kind is Kind.FUNCTION]
    assert pointer.values == (program(calls, reads, IDENTITY).functions[2].address,)
    assert len(shape.functions) == 2


def test_words_that_floating_point_uses_are_floats() -> None:
    """return p->x + p->y; singles at 0 and 4, FR = 0"""
    code = (encode("lwc1", s=A0, ft=2), encode("lwc1", s=A0, ft=4, i=4), encode("add.s", fd=0, fs=2, ft=4), *RETURN)
    assert str(shape_of(code)) == "a0 -> {+0x0 float x2}"


def test_a_double_in_two_registers_has_a_high_and_a_low_word() -> None:
    shape = shape_of((encode("add.d", fd=0, fs=12, ft=12), *RETURN))
    assert str(shape).splitlines() == ["f12 double, low word", "f13 double, high word"]


def test_a_double_in_one_register_is_a_double() -> None:
    shape = shape_of((encode("add.d", fd=0, fs=12, ft=12), *RETURN), abi="n32")
    assert str(shape) == "f12 double"


def test_two_floats_in_one_register_are_found_through_the_stack() -> None:
    """n32 passes struct { float x, y; } in one register; the callee stores it and loads both halves."""
    code = (
        encode("addiu", t=SP, s=SP, i=-16),
        encode("sd", t=A0, s=SP),
        encode("lwc1", s=SP, ft=2),
        encode("lwc1", s=SP, ft=4, i=4),
        encode("add.s", fd=0, fs=2, ft=4),
        encode("jr", s=RA),
        encode("addiu", t=SP, s=SP, i=16),
    )
    assert str(shape_of(code, abi="n32")).splitlines() == ["a0[0..3] float", "a0[4..7] float"]


def test_an_integer_that_is_converted_is_no_float() -> None:
    shape = shape_of((encode("cvt.s.w", fd=0, fs=12), *RETURN))
    assert str(shape) == "f12 u32"


def test_an_argument_on_the_stack_is_found_above_the_home_area() -> None:
    assert str(shape_of((encode("lw", t=V0, s=SP, i=16), *RETURN))) == "sp+0x10 u32"


def test_a_saved_register_is_no_input() -> None:
    """The function keeps s0 in its frame and gives it back."""
    s0 = 16
    code = (
        encode("addiu", t=SP, s=SP, i=-8),
        encode("sw", t=s0, s=SP),
        encode("addu", d=s0, s=A0),
        encode("addu", d=V0, s=s0),
        encode("lw", t=s0, s=SP),
        encode("jr", s=RA),
        encode("addiu", t=SP, s=SP, i=8),
    )
    assert str(shape_of(code)) == "a0 u64"


def test_a_jump_to_an_argument_makes_it_a_function_of_the_program() -> None:
    code = (
        encode("addiu", t=SP, s=SP, i=-8),
        encode("sw", t=RA, s=SP),
        encode("jalr", s=A0, d=RA),
        NOP,
        encode("lw", t=RA, s=SP),
        encode("jr", s=RA),
        encode("addiu", t=SP, s=SP, i=8),
    )
    image = program(code, IDENTITY)
    shape = find_shape(image, image.functions[0], ABIS["o32"], fr=False)
    assert str(shape) == "a0 function"
    assert shape.functions == (image.functions[1].address,)


def test_a_null_variable_of_the_image_that_is_followed_gets_a_block() -> None:
    """return *variable; the variable is a null pointer in the image"""
    code = (encode("lui", t=T0, i=-0x8000), encode("lw", t=T0, s=T0, i=0x2010), encode("lw", t=V0, s=T0), *RETURN)
    assert str(shape_of(code)) == "ffffffff80002010 -> {+0x0 u32}"


def test_a_compared_constant_is_a_favourite_and_both_ways_are_kept() -> None:
    shape = shape_of(MAGIC)
    assert 0x12345 in shape.inputs[0].favourites
    ways = {dict(kept).get(shape.inputs[0].place, 0) == 0x12345 for kept in shape.kept}
    assert ways == {True, False}


def test_every_case_of_a_jump_table_is_a_favourite() -> None:
    """if (a0 - 45 < 13) ... as compilers guard a table"""
    code = (
        encode("addiu", t=T0, s=A0, i=-45),
        encode("sltiu", t=V0, s=T0, i=13),
        encode("beq", s=V0, i=1),
        NOP,
        *RETURN,
    )
    assert set(range(45, 58)) <= set(shape_of(code).inputs[0].favourites)


def test_a_function_that_traps_on_most_arguments_still_ends_on_many_states() -> None:
    """Traps unless a0 - a1 is 1000."""
    code = (encode("subu", d=T0, s=A0, t=A1), encode("tnei", s=T0, i=1000), *RETURN)
    image = program(code)
    shape = find_shape(image, image.functions[0], ABIS["o32"], fr=False)
    assert share_that_returns(image, shape) > 0.3


def test_what_no_input_leads_to_is_noted() -> None:
    """return *(int *)0xa4000000; a device register that nobody mapped"""
    shape = shape_of((encode("lui", t=T0, i=-0x5C00), encode("lw", t=V0, s=T0), *RETURN))
    assert shape.notes == ("access to ffffffffa4000000, which no input leads to",)


def test_64_bit_operations_make_a_register_wide_and_32_bit_operations_narrow() -> None:
    code = (encode("daddu", d=V0, s=A0, t=A1), encode("addu", d=V0, s=A1, t=A1), *RETURN)
    inputs = {str(item.place): (item.wide, item.narrow) for item in shape_of(code, abi="n32").inputs}
    assert inputs == {"a0": (True, False), "a1": (True, True)}


@pytest.mark.parametrize("code", [LIST_SUM, ARRAY_SUM, MAGIC], ids=["list", "array", "magic"])
def test_nearly_all_states_of_a_found_shape_run_to_their_end(code: tuple[int, ...]) -> None:
    image = program(code)
    shape = find_shape(image, image.functions[0], ABIS["o32"], fr=False)
    assert share_that_returns(image, shape) >= 0.95


_PRINT_SHAPES = """
import sys
from pathlib import Path
from harness.abi import ABIS
from harness.program.elf import load_elf
from harness.states.expand import family
from harness.states.draw import Draft
from harness.states.shape import find_shape
image = load_elf(Path(sys.argv[1]))
for name in ("berth_find", "text_compare", "put_fixed"):
    shape = find_shape(image, image.find(name)[0], ABIS["o32"], fr=False)
    print(shape, shape.kept, hash(family(shape, Draft(1))[3].gpr))
"""


def test_the_search_does_not_depend_on_the_order_of_sets() -> None:
    """Python hashes text differently in every process unless told not to."""
    command = [sys.executable, "-c", _PRINT_SHAPES, str(FIXTURES / "tideclock-o32-O1.elf")]
    outputs = [
        subprocess.run(
            command, env=os.environ | {"PYTHONHASHSEED": seed}, capture_output=True, text=True, check=True
        ).stdout
        for seed in ("1", "2")
    ]
    assert outputs[0] == outputs[1]
    assert "a0" in outputs[0]


@pytest.mark.parametrize("build", ["o32-O1", "n32-O2"])
def test_sampled_functions_of_the_tide_clock_run_to_their_end_on_most_states(build: str) -> None:
    image, abi = load_elf(FIXTURES / f"tideclock-{build}.elf"), ABIS[build[:3]]
    poor = []
    for function in image.functions[3::12]:
        shape = find_shape(image, function, abi, abi.fr)
        if share_that_returns(image, shape, families=3) < 0.5:
            poor.append(function.name)
    assert poor == []
