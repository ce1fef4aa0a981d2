"""Directions of branches: those that random values do not find, and the reasons that are given for those missing."""

from __future__ import annotations

import pytest
from machine_code import A0, A1, A2, BASE, NOP, RA, RETURN, SP, T0, T1, V0, ZERO, program

from harness.abi import ABIS
from harness.coverage import Reach
from harness.engines.base import StopKind
from harness.engines.reference import Reference
from harness.program.assembly import encode
from harness.states.draw import Draft
from harness.states.expand import expand
from harness.states.model import AT_BLOCK, Kind
from harness.states.readback import words_of
from harness.states.shape import Search
from harness.states.source import ShapedStates
from harness.verdicts import Miss


def reach_of(
    code: tuple[int, ...], *others: tuple[int, ...], guided: bool = True, families: int = 20, data: bytes = b""
) -> dict[tuple[int, bool], Miss]:
    """The directions of the first function that no state of a small check goes, by (instruction number, taken)."""
    image = program(code, *others, data=data)
    function = image.functions[0]
    search = Search(image, function, ABIS["o32"], False, guided=guided)
    source = ShapedStates(search.shape, search)
    reference = Reference()
    reference.load(image.target(function, False))
    reach = Reach(image.words(function))

    def run(states: object) -> None:
        for state in states:  # type: ignore[attr-defined]  # an iterable of states
            outcome = reference.run(state, 10_000)
            assert outcome.coverage is not None
            counts = outcome.stop is StopKind.RETURNED and not outcome.events
            (reach.add if counts else reach.add_unfinished)(outcome.coverage)
            source.judged(state, "" if counts else "trap", outcome)

    run(source.opening(100))
    for seed in range(families):
        run(source.family(Draft(seed)))
    missed = reach.missed(source.impossible())
    return {((one.address - function.address) // 4, one.taken): one.why for one in missed}


#: if (((a0 ^ 0x5a5a) << 3) + 7 == 0x12347) { v0 = 1; if (a1 * 0x1001 == 0x3003000) v0 = 2; } return v0;
NESTED = (
    encode("xori", t=T0, s=A0, i=0x5A5A),
    encode("sll", d=T0, t=T0, a=3),
    encode("addiu", t=T0, s=T0, i=7),
    encode("lui", t=T1, i=1),
    encode("ori", t=T1, s=T1, i=0x2347),
    encode("bne", s=T0, t=T1, i=10),
    encode("addu", d=V0),
    encode("ori", t=T1, s=ZERO, i=0x1001),
    encode("multu", s=A1, t=T1),
    encode("mflo", d=T0),
    encode("lui", t=T1, i=0x300),
    encode("ori", t=T1, s=T1, i=0x3000),
    encode("bne", s=T0, t=T1, i=3),
    encode("addiu", t=V0, i=1),
    encode("addiu", t=V0, i=2),
    NOP,
    *RETURN,
)


def test_nested_equations_are_solved() -> None:
    assert reach_of(NESTED) == {}


def test_without_guidance_they_are_not_and_what_lies_behind_is_told_apart() -> None:
    missed = reach_of(NESTED, guided=False)
    assert missed == {(5, False): Miss.UNSOLVED, (12, False): Miss.BEHIND, (12, True): Miss.BEHIND}


def test_two_pointers_are_made_equal_where_the_code_compares_them() -> None:
    """return a0 == a1 ? 1 : *a0 + *a1;"""
    code = (
        encode("lw", t=T0, s=A0),
        encode("lw", t=T1, s=A1),
        encode("beq", s=A0, t=A1, i=4),
        encode("addu", d=V0, s=T0, t=T1),
        *RETURN,
        NOP,
        *RETURN[:1],
        encode("addiu", t=V0, i=1),
    )
    assert reach_of(code, families=0) == {}


def test_a_text_of_nine_digits_is_written_digit_by_digit() -> None:
    """for (n = 0; n < 9; n++) if (*a0++ - '0' > 9) return n; return 99;"""
    code = (
        encode("addu", d=V0),
        encode("lbu", t=T0, s=A0),
        encode("addiu", t=T0, s=T0, i=-0x30),
        encode("sltiu", t=T0, s=T0, i=10),
        encode("beq", s=T0, t=ZERO, i=6),
        encode("addiu", t=A0, s=A0, i=1),
        encode("addiu", t=V0, s=V0, i=1),
        encode("slti", t=T1, s=V0, i=9),
        encode("bne", s=T1, t=ZERO, i=-8),
        NOP,
        encode("addiu", t=V0, i=99),
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def test_a_loop_that_only_its_counter_ends_goes_on_for_as_long_as_it_can() -> None:
    """for (n = 0; n < 96; n++) if (*a0++ != ' ') return n; return n;"""
    code = (
        encode("addu", d=V0),
        encode("lbu", t=T0, s=A0),
        encode("addiu", t=T1, i=0x20),
        encode("bne", s=T0, t=T1, i=5),
        encode("addiu", t=A0, s=A0, i=1),
        encode("addiu", t=V0, s=V0, i=1),
        encode("slti", t=T0, s=V0, i=96),
        encode("bne", s=T0, t=ZERO, i=-7),
        NOP,
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def test_pointers_of_32_bits_in_memory_are_made_equal_where_the_code_compares_them() -> None:
    """if (a0->at == a0->to) return 1; return a0->at->value + a0->to->value;"""
    code = (
        encode("lw", t=T0, s=A0),
        encode("lw", t=T1, s=A0, i=4),
        encode("beq", s=T0, t=T1, i=6),
        encode("addiu", t=V0, i=1),
        encode("lw", t=T0, s=T0),
        encode("lw", t=T1, s=T1),
        encode("addu", d=V0, s=T0, t=T1),
        *RETURN,
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def test_a_way_gone_only_while_pointers_were_numbers_is_looked_for_again() -> None:
    """if (a0 == a1) return 1; return *a0 + *a1; of which the run of nothing but zeros went the first way."""
    code = (
        encode("beq", s=A0, t=A1, i=6),
        encode("addiu", t=V0, i=1),
        encode("lw", t=T0, s=A0),
        encode("lw", t=T1, s=A1),
        encode("addu", d=V0, s=T0, t=T1),
        *RETURN,
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def test_a_depth_is_no_address_though_it_was_compared_with_one() -> None:
    """if (a1 >= 8) return 0; if (a1 == a0) return 1; return *a0;"""
    code = (
        encode("sltiu", t=T0, s=A1, i=8),
        encode("beq", s=T0, t=ZERO, i=6),
        encode("addu", d=V0),
        encode("lw", t=V0, s=A0),
        encode("beq", s=A1, t=A0, i=3),
        NOP,
        *RETURN,
        *RETURN,
    )
    assert set(reach_of(code)) <= {(4, True)}  # the two cannot be equal


def test_a_pointer_is_put_off_its_alignment_where_a_branch_asks_for_that() -> None:
    """if (a0 % 8 == 3) return 1; return *(char *)a0;"""
    code = (
        encode("andi", t=T0, s=A0, i=7),
        encode("addiu", t=T1, i=3),
        encode("lbu", t=V0, s=A0),
        encode("bne", s=T0, t=T1, i=2),
        NOP,
        encode("addiu", t=V0, i=1),
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def search_of_a_list() -> tuple[int, ...]:
    """Each object in a place of its own: for (i = 0; i < 5 && a0; i++) if ((a0 = a0->next) == a1) return 1;"""
    code: list[int] = []
    for left in (25, 20, 15, 10, 5):
        code += [
            encode("beq", s=A0, t=ZERO, i=left - 1),
            NOP,
            encode("lw", t=A0, s=A0),
            encode("beq", s=A0, t=A1, i=left - 2),
            NOP,
        ]
    return (*code, encode("jr", s=RA), encode("addiu", t=V0), encode("jr", s=RA), encode("addiu", t=V0, i=1))


def test_an_address_that_a_list_is_searched_for_is_that_of_any_of_its_objects() -> None:
    assert reach_of(search_of_a_list(), families=0) == {}


def test_the_address_of_an_object_is_read_back_from_a_state_as_what_put_it_there() -> None:
    image = program(search_of_a_list())
    shape = Search(image, image.functions[0], ABIS["o32"], False).shape
    (end,) = (item for item in shape.inputs if item.kind is Kind.END and item.place.room == "gpr")
    others = [AT_BLOCK + block.number for block in shape.blocks if block.number != end.block]
    for edit in (0, 4, *others):
        assert words_of(shape, expand(shape, Draft(0, ((end.place, edit),))))[end.place] == edit
    assert len(others) == 4


def test_two_pointers_are_put_near_each_other_where_their_distance_decides() -> None:
    """return (unsigned)(a0 + 3 - a1) < 7 ? *a0 + *a1 : 0; as compilers see whether two buffers overlap."""
    code = (
        encode("lw", t=T0, s=A0),
        encode("lw", t=V0, s=A1),
        encode("addiu", t=T1, s=A0, i=3),
        encode("subu", d=T1, s=T1, t=A1),
        encode("sltiu", t=T1, s=T1, i=7),
        encode("bne", s=T1, t=ZERO, i=2),
        encode("addu", d=V0, s=V0, t=T0),
        encode("addu", d=V0),
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def test_a_run_that_did_not_end_is_not_the_one_that_is_changed() -> None:
    """if (a2 >= 5) copy(a0, a1, a2), byte by byte where ((a0 | a1) & 3) != 0, else word by word.

    That the count must be small is known only after runs with big ones came to the branch.
    """
    code = (
        encode("sltiu", t=T0, s=A2, i=5),
        encode("bne", s=T0, t=ZERO, i=10),
        encode("or", d=T0, s=A0, t=A1),
        encode("andi", t=T0, s=T0, i=3),
        encode("beq", s=T0, t=ZERO, i=9),
        encode("addu", d=T0, s=A2),
        encode("lbu", t=T1, s=A1),
        encode("addiu", t=A1, s=A1, i=1),
        encode("addiu", t=T0, s=T0, i=-1),
        encode("sb", s=A0, t=T1),
        encode("bne", s=T0, t=ZERO, i=-5),
        encode("addiu", t=A0, s=A0, i=1),
        *RETURN,
        encode("srl", d=T0, t=A2, a=2),
        encode("lw", t=T1, s=A1),
        encode("addiu", t=A1, s=A1, i=4),
        encode("addiu", t=T0, s=T0, i=-1),
        encode("sw", s=A0, t=T1),
        encode("bne", s=T0, t=ZERO, i=-5),
        encode("addiu", t=A0, s=A0, i=4),
        *RETURN,
    )
    assert reach_of(code, families=0) == {}

def test_a_count_is_made_the_next_multiple_where_the_last_one_is_too_small() -> None:
    """if (a2 >= 9) { for (n = a2; n; n--) *a0++; return a2 % 8 ? 1 : a2; } counts are small."""
    code = (
        encode("sltiu", t=T0, s=A2, i=9),
        encode("bne", s=T0, t=ZERO, i=9),
        encode("addu", d=V0, s=A2),
        encode("lbu", t=T0, s=A0),
        encode("addiu", t=A2, s=A2, i=-1),
        encode("bne", s=A2, t=ZERO, i=-3),
        encode("addiu", t=A0, s=A0, i=1),
        encode("andi", t=T1, s=V0, i=7),
        encode("beq", s=T1, t=ZERO, i=2),
        NOP,
        encode("addiu", t=V0, i=1),
        *RETURN,
    )
    assert reach_of(code, families=0) == {}


def test_each_of_the_first_objects_of_a_list_gets_words_of_its_own() -> None:
    """for (n = 0; n < 7 && a0; n++, a0 = a0->next) if (a0->value == 40 + n) return n; seven times in a row, no loop"""
    code: list[int] = []
    for n in range(7):
        code += [
            encode("beq", s=A0, t=ZERO, i=6 * (7 - n) + 1),
            encode("addiu", t=V0, i=n),
            encode("lw", t=T0, s=A0, i=4),
            encode("addiu", t=T1, i=40 + n),
            encode("beq", s=T0, t=T1, i=6 * (7 - n) - 3),
            encode("lw", t=A0, s=A0),
        ]
    assert reach_of((*code, NOP, NOP, *RETURN), families=0) == {}


def test_a_word_that_is_called_leads_to_another_function_where_the_result_decides() -> None:
    """return a0() == 20 ? 1 : 2; and one of thirty functions gives that."""
    code = (
        encode("addiu", s=SP, t=SP, i=-16),
        encode("sw", t=RA, s=SP),
        encode("jalr", s=A0, d=RA),
        NOP,
        encode("lw", t=RA, s=SP),
        encode("addiu", s=SP, t=SP, i=16),
        encode("addiu", t=T1, i=20),
        encode("beq", s=V0, t=T1, i=3),
        NOP,
        *RETURN,
        *RETURN,
    )
    others = [(encode("jr", s=RA), encode("addiu", t=V0, i=value)) for value in range(30)]
    table = [(BASE + 4 * len(code) + 8 * number) & 0xFFFF_FFFF for number in range(30)]
    data = b"".join(address.to_bytes(4, "big") for address in table)
    assert reach_of(code, *others, families=0, data=data) == {}


def test_a_branch_on_constants_and_what_only_it_leads_to_is_reached_by_no_input() -> None:
    """if (5 == 6) { if (a0) v0 = 1; } return a1 ? 1 : 2;"""
    code = (
        encode("addiu", t=T0, i=5),
        encode("addiu", t=T1, i=6),
        encode("bne", s=T0, t=T1, i=4),
        NOP,
        encode("beq", s=A0, t=ZERO, i=2),
        NOP,
        encode("addiu", t=V0, i=1),
        encode("beq", s=A1, t=ZERO, i=2),
        encode("addiu", t=V0, i=2),
        encode("addiu", t=V0, i=1),
        *RETURN,
    )
    missed = reach_of(code)
    assert set(missed) == {(2, False), (4, False), (4, True)}
    assert set(missed.values()) == {Miss.IMPOSSIBLE}


def test_a_flag_that_some_input_might_set_is_not_called_out_of_reach() -> None:
    """flag = 0; if (hash(a0) == 0) flag = 1; return flag ? 1 : 2; the hash, a0 * a0 + 2 in 32 bits, is never 0"""
    code = (
        encode("multu", s=A0, t=A0),
        encode("mflo", d=T0),
        encode("addiu", t=T0, s=T0, i=2),
        encode("bne", s=T0, t=ZERO, i=2),
        encode("addu", d=T1),
        encode("addiu", t=T1, i=1),
        encode("beq", s=T1, t=ZERO, i=2),
        encode("addiu", t=V0, i=2),
        encode("addiu", t=V0, i=1),
        *RETURN,
    )
    assert reach_of(code) == {(3, False): Miss.UNSOLVED, (6, False): Miss.UNSOLVED}


def test_a_direction_that_only_traps_is_not_ended() -> None:
    """if (a0 == 7) trap; return 0;"""
    code = (
        encode("addiu", t=T0, i=7),
        encode("bne", s=A0, t=T0, i=3),
        encode("addu", d=V0),
        encode("break"),
        NOP,
        *RETURN,
    )
    assert reach_of(code) == {(1, False): Miss.UNFINISHED}


@pytest.mark.parametrize("guided", [True, False])
def test_a_search_is_the_same_each_time(guided: bool) -> None:
    image = program(NESTED)
    searches = [Search(image, image.functions[0], ABIS["o32"], False, guided=guided) for _ in range(2)]
    assert searches[0].shape == searches[1].shape
