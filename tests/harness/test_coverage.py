"""Which instructions and branch directions of a function count, and which were reached."""

from __future__ import annotations

import pytest

from harness.coverage import Reach
from harness.engines.base import Coverage
from harness.program.assembly import encode

ENTRY = 0xFFFF_FFFF_8000_1000


def reach(*words: int) -> Reach:
    return Reach((ENTRY + 4 * i, word) for i, word in enumerate(words))


@pytest.mark.parametrize(
    ("word", "directions"),
    [
        (encode("beq", s=4, t=5), 2),
        (encode("bnel", s=4, t=5), 2),
        (encode("bgezal", s=4), 2),
        (encode("bc1t"), 2),
        (encode("beq", s=0, t=0), 0),  # b
        (encode("beql", s=4, t=4), 0),
        (encode("bne", s=7, t=7), 0),  # never taken
        (encode("bgezal", s=0), 0),  # bal
        (encode("bltz", s=0), 0),
        (encode("j"), 0),
        (encode("jr", s=31), 0),
        (encode("addu", s=4, t=5, d=2), 0),
        (0xFFFF_FFFF, 0),  # no MIPS III instruction
    ],
)
def test_directions_of_a_branch(word: int, directions: int) -> None:
    assert reach(word, 0).branches_total == directions
    assert reach(word, 0).instructions_total == 2


def test_what_runs_outside_the_function_does_not_count() -> None:
    one = reach(encode("beq", s=4, t=5), 0)
    one.add(Coverage(frozenset({ENTRY, ENTRY - 4, ENTRY + 8}), frozenset({(ENTRY, True), (ENTRY + 8, True)})))
    assert (one.instructions_reached, one.branches_reached) == (1, 1)


def test_runs_add_up() -> None:
    one = reach(encode("beq", s=4, t=5), 0)
    one.add(Coverage(frozenset({ENTRY}), frozenset({(ENTRY, True)})))
    one.add(Coverage(frozenset({ENTRY, ENTRY + 4}), frozenset({(ENTRY, False)})))
    one.add(Coverage(frozenset({ENTRY}), frozenset({(ENTRY, True)})))
    assert (one.instructions_reached, one.branches_reached) == (2, 2)
