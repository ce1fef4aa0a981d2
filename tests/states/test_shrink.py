"""The reduction of failing states, on predicates whose smallest failing state is known by construction."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace

import pytest

from harness.engines.base import PAGE, MachineState, Region
from harness.states.shrink import shrink
from harness.states.words import Word, different_words, nondefault_words, value_of, with_words

ARENA = 0xFFFF_FFFF_8040_0000
Predicate = Callable[[MachineState], bool]


def base_state() -> MachineState:
    return MachineState(
        pc=0xFFFF_FFFF_8000_1000,
        gpr=(0,) * 32,
        hi=0,
        lo=0,
        fpr=(0,) * 32,
        fcsr=0,
        fr=False,
        memory=(Region(ARENA, bytes(2 * PAGE), writable=True, name="arena"),),
    )


def random_state(seed: int) -> MachineState:
    """Every word differs from the base state with near certainty: 2048 words of memory, 66 registers."""
    rng = random.Random(seed)
    base = base_state()
    return replace(
        base,
        gpr=(0, *(rng.getrandbits(64) for _ in range(31))),
        hi=rng.getrandbits(64),
        lo=rng.getrandbits(64),
        fpr=tuple(rng.getrandbits(32) for _ in range(32)),
        fcsr=rng.randrange(1, 4),
        memory=(replace(base.memory[0], data=rng.randbytes(2 * PAGE)),),
    )


def word(state: MachineState, offset: int) -> int:
    return value_of(state, Word("mem", ARENA + offset))


def gpr(state: MachineState, number: int) -> int:
    return value_of(state, Word("gpr", number))


ONE_WORD: dict[str, tuple[Predicate, dict[Word, int]]] = {
    "a lost sign extension": (
        lambda s: bool(gpr(s, 5) >> 31 & 1),
        {Word("gpr", 5): 0x8000_0000},  # a single bit says which one
    ),
    "an odd byte in memory": (
        lambda s: bool(word(s, 0x7F4) >> 8 & 1),
        {Word("mem", ARENA + 0x7F4): 0x100},
    ),
    "a rounding mode": (lambda s: s.fcsr != 0, {Word("fcsr", 0): 1}),
    "hi not kept": (lambda s: s.hi != 0, {Word("hi", 0): 1}),
}


@pytest.mark.parametrize("name", sorted(ONE_WORD))
@pytest.mark.parametrize("seed", range(3))
def test_finds_the_one_word_behind_a_planted_fault(name: str, seed: int) -> None:
    fails, smallest = ONE_WORD[name]
    failing = next(s for s in map(random_state, range(seed, 1000)) if fails(s))
    assert different_words(base_state(), shrink(base_state(), failing, fails)) == smallest


def test_finds_two_words_that_fail_only_together() -> None:
    def fails(state: MachineState) -> bool:
        return bool(gpr(state, 4) & 1) and word(state, 0x10) > 0x1000

    failing = next(s for s in map(random_state, range(100)) if fails(s))
    smallest = shrink(base_state(), failing, fails)
    assert set(different_words(base_state(), smallest)) == {Word("gpr", 4), Word("mem", ARENA + 0x10)}
    assert gpr(smallest, 4) == 1


def test_a_length_that_reaches_a_bad_byte_moves_down_to_a_shorter_one() -> None:
    def fails(state: MachineState) -> bool:
        """Some word among the first a1 is negative."""
        count = min(gpr(state, 5) & 0xFF, 64)
        return any(word(state, 4 * i) >> 31 for i in range(count))

    failing = next(s for s in map(random_state, range(100)) if fails(s))
    assert nondefault_words(base_state(), shrink(base_state(), failing, fails)) == 2


def test_a_canonical_register_stays_canonical() -> None:
    seen: list[int] = []

    def fails(state: MachineState) -> bool:
        seen.append(gpr(state, 4))
        return gpr(state, 4) >> 31 & 0x1_FFFF_FFFF == 0x1_FFFF_FFFF

    failing = with_words(base_state(), {Word("gpr", 4): 0xFFFF_FFFF_9ABC_DEF1})
    shrink(base_state(), failing, fails)
    assert all((value >> 31) in (0, 0x1_FFFF_FFFF) for value in seen)


def test_a_state_that_fails_only_as_it_is_comes_back_unchanged() -> None:
    failing = random_state(1)
    assert shrink(base_state(), failing, lambda s: s == failing, budget=300) == failing


def test_the_base_state_itself_is_the_answer_when_everything_fails() -> None:
    assert shrink(base_state(), random_state(2), lambda s: True) == base_state()


def test_no_more_calls_are_made_than_the_budget_allows() -> None:
    calls = 0

    def fails(state: MachineState) -> bool:
        nonlocal calls
        calls += 1
        return bool(gpr(state, 5) >> 31 & 1)

    failing = next(s for s in map(random_state, range(100)) if gpr(s, 5) >> 31 & 1)
    result = shrink(base_state(), failing, fails, budget=7)
    assert calls == 7
    assert fails(result)


def test_the_reduction_is_a_function_of_its_arguments() -> None:
    def fails(state: MachineState) -> bool:
        return (gpr(state, 6) ^ word(state, 0x40)) & 7 == 3

    failing = next(s for s in map(random_state, range(100)) if fails(s))
    assert shrink(base_state(), failing, fails) == shrink(base_state(), failing, fails)


def test_regions_without_a_change_are_the_same_objects() -> None:
    base = base_state()
    assert with_words(base, {Word("gpr", 4): 1}).memory[0] is base.memory[0]
