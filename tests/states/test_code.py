"""What is read off code without running it."""

from __future__ import annotations

from machine_code import A0, IDENTITY, MAGIC, NOP, RETURN, T0, V0, program

from harness.program.assembly import encode
from harness.states.code import callable_functions, constants_of


def test_constants_are_immediates_and_the_words_that_pairs_make() -> None:
    image = program(MAGIC)
    assert constants_of(image, image.functions[0]) == (0x1_0000, 0x1_2345, 1)


def test_a_function_whose_address_the_data_hold_can_be_pointed_to() -> None:
    loads = (encode("lw", t=V0, s=A0), *RETURN)
    image = program(MAGIC, loads, data=(0x8000_1000 + 4 * len(MAGIC)).to_bytes(4, "big"))
    assert callable_functions(image)[0] == image.functions[1].address


def test_small_functions_without_memory_calls_and_loops_can_be_pointed_to() -> None:
    loop = (encode("addiu", t=A0, s=A0, i=-1), encode("bne", s=A0, i=-2), NOP, *RETURN)
    calls = (encode("jal", j=0x400), NOP, *RETURN)
    stores = (encode("sw", t=T0, s=A0), *RETURN)
    image = program(loop, calls, stores, IDENTITY)
    assert callable_functions(image) == (image.functions[3].address,)


def test_a_function_whose_address_the_code_makes_of_two_halves_can_be_pointed_to() -> None:
    loads = (encode("lw", t=V0, s=A0), *RETURN)
    takes = (encode("lui", t=T0, i=-0x8000), encode("addiu", t=V0, s=T0, i=0x1010), *RETURN)
    image = program(takes, loads)
    assert callable_functions(image)[0] == image.functions[1].address == 0xFFFF_FFFF_8000_1010
