"""Finding functions in a program."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.engines.base import PAGE, Region
from harness.errors import UsageError
from harness.program.model import Function, Program

BASE = 0xFFFF_FFFF_8000_1000
REGION = Region(BASE, bytes(range(256)).ljust(PAGE, b"\0"), writable=False, name=".text")
TICK = Function("tick", BASE, 0x10, aliases=("advance",))
TOCK = Function("tock", BASE + 0x10, 0x08)
CHIME = Function("chime", BASE + 0x20, 0x10)
CLOCK = Program(Path("clock.elf"), (REGION,), (REGION,), (TICK, TOCK, CHIME), gp=0, entry=BASE)


@pytest.mark.parametrize(
    ("offset", "function"),
    [(0, TICK), (0xC, TICK), (0x10, TOCK), (0x18, None), (0x2C, CHIME), (0x30, None), (-4, None)],
)
def test_an_address_belongs_to_the_function_whose_extent_holds_it(offset: int, function: Function | None) -> None:
    assert CLOCK.function_at(BASE + offset) == function


@pytest.mark.parametrize(
    ("pattern", "found"),
    [
        ("tick", (TICK,)),
        ("t?ck", (TICK, TOCK)),
        ("*", (TICK, TOCK, CHIME)),
        ("[ct]*", (TICK, TOCK, CHIME)),
        ("adv*", (TICK,)),
    ],
)
def test_patterns_match_names_and_aliases(pattern: str, found: tuple[Function, ...]) -> None:
    assert CLOCK.find(pattern) == found


def test_an_unknown_name_is_answered_with_its_neighbours() -> None:
    with pytest.raises(UsageError) as error:
        CLOCK.find("chimes")
    assert str(error.value) == (
        "clock.elf: no function matches the pattern: got 'chimes',"
        " expected a name among 3 functions, or a pattern with * or ?\n"
        "help: did you mean chime?"
    )


def test_a_name_without_neighbours_is_answered_with_where_to_look() -> None:
    with pytest.raises(UsageError, match="`tallystick survey` lists the functions"):
        CLOCK.find("zzz")


def test_words_are_read_big_endian_over_the_extent() -> None:
    assert list(CLOCK.words(TOCK)) == [(BASE + 0x10, 0x1011_1213), (BASE + 0x14, 0x1415_1617)]


def test_a_target_carries_the_code_and_all_names() -> None:
    target = CLOCK.target(TOCK, fr=False)
    assert (target.name, target.entry, target.size, target.fr) == ("tock", BASE + 0x10, 8, False)
    assert target.code is CLOCK.code
    assert target.functions == {BASE: "tick", BASE + 0x10: "tock", BASE + 0x20: "chime"}
