"""Bins and states: each bin is hit, what was put into a state is read back, what does not count has its reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from random import Random
from typing import Any

import pytest

from harness.abi import ABIS
from harness.engines.base import Coverage, MachineState, Outcome, Region, StopKind
from harness.opcodes.bins import BinList
from harness.opcodes.catalogue import catalogue
from harness.opcodes.image import TEXT
from harness.opcodes.outcomes import outcomes
from harness.opcodes.probe import Probe
from harness.opcodes.states import ProbeStates
from harness.program.model import Function, Program

CODE = Region(0xFFFF_FFFF_0000_0000 | TEXT, bytes(0x1000), writable=False)
FUNCTION = Function("probe", CODE.address, 16)
PROGRAM = Program(Path("probes.elf"), (CODE,), (CODE,), (FUNCTION,), 0, CODE.address)


def probe(name: str, fr: bool = False) -> Probe:
    return next(probe for probe in catalogue(fr) if probe.name == name)


def states(name: str, fr: bool = False) -> ProbeStates:
    return ProbeStates(probe(name, fr), PROGRAM, FUNCTION, ABIS["n32" if fr else "o32"], fr)


def returned(after: MachineState, **more: Any) -> Outcome:
    return Outcome(StopKind.RETURNED, after, **more)


def test_the_usual_form_counts_classes_in_combination_and_others_alone() -> None:
    both = list(BinList.of(probe("addu__distinct")).all())
    assert len(both) == 12 * 12 + 1
    assert "s: zero, t: minus one" in both
    alone = list(BinList.of(probe("addu__distinct__slot_taken")).all())
    assert len(alone) == 12 + 12 + 1
    assert "t: minus one" in alone


def test_what_rounds_counts_its_modes() -> None:
    whole = list(BinList.of(probe("add_s__distinct")).all())
    assert len(whole) == 17 * 17 * 4 + 1
    assert "fs: largest, ft: largest, upward" in whole
    assert "towards zero" in BinList.of(probe("add_s__fd_is_fs")).all()
    assert not any("upward" in name for name in BinList.of(probe("abs_s__distinct")).all())


@pytest.mark.parametrize(
    ("name", "fr"),
    [
        ("addu__distinct", False),
        ("daddu__d_is_s", False),
        ("mul_d__distinct", False),
        ("mul_d__odd", True),
        ("lwl__byte_is_5", False),
        ("ldc1__distinct", False),
        ("sdl__distinct", False),
        ("bc1t__distinct", False),
        ("ctc1__distinct", False),
        ("mfhi__distinct", False),
        ("idiom__pair_add", False),
        ("addu__distinct__slot_changes_condition", False),
    ],
)
def test_states_hit_every_bin_and_hold_what_was_put_in(name: str, fr: bool) -> None:
    source = states(name, fr)
    rng = Random(3)
    for _ in range(50):
        values = source.bins.anything(rng)
        found = source.values(source.state(values, rng))
        assert found[0] == values[0]
        assert found[1] == values[1] or not probe(name, fr).rounds
    for state in source.opening(1000):
        source.judged(state, "", returned(state))
    assert set(source.bins.all()) <= set(source.hits)


def test_a_bin_whose_states_never_count_has_the_reason_and_was_tried_again() -> None:
    source = states("div__distinct")
    ran = 0
    for state in source.opening(1000):
        ran += 1
        by_zero = source.values(state)[0][1] == 0
        source.judged(state, "open:division-by-zero" if by_zero else "", returned(state))
    without = set(source.bins.all()) - set(source.hits)
    assert without == {
        f"s: {name}, t: zero" for name in ("zero", "one", "minus one", "largest", "smallest", "positive", "negative")
    } | {
        f"s: {name}, t: zero"
        for name in ("next to an extreme", "halfword border", "power of two", "next to a power", "minus a power")
    }
    assert {source.given_up[name] for name in without} == {"open:division-by-zero"}
    assert ran == 144 - 12 + 12 * 6 + 1 + 16, "six tries for each of the 12, one for s = t, and 16 states of chance"


def test_a_word_is_sign_extended_and_a_double_in_a_pair_has_its_low_word_in_the_even_register() -> None:
    words = states("addu__distinct")
    state = words.state(((0x8000_0000, 1), 0), Random(1))
    assert state.gpr[4:6] == (0xFFFF_FFFF_8000_0000, 1)
    doubles = states("mov_d__distinct")
    assert doubles.state(((0x3FF0_0000_0000_0001,), 0), Random(1)).fpr[12:14] == (1, 0x3FF0_0000)
    assert (
        states("mov_d__distinct", True).state(((0x3FF0_0000_0000_0001,), 0), Random(1)).fpr[12] == 0x3FF0_0000_0000_0001
    )


def test_values_that_meet_have_bins_of_their_own() -> None:
    assert "s equals t" in BinList.of(probe("slt__distinct")).all()
    near = [name for name in BinList.of(probe("slti__i_is_minus_1")).all() if "immediate" in name]
    assert near == [
        "s: the immediate",
        "s: one below the immediate",
        "s: one above the immediate",
        "s: the immediate without its sign",
    ]
    bins = BinList.of(probe("slti__i_is_minus_1"))
    assert "s: the immediate" in bins.hit(((0xFFFF_FFFF_FFFF_FFFF,), 0))
    assert "s: the immediate without its sign" in bins.hit(((0xFFFF,), 0))
    assert "s: one above the immediate" in BinList.of(probe("ori__u_is_65535")).hit(((0x1_0000,), 0))
    assert not any("immediate" in name for name in BinList.of(probe("lw__i_is_4")).all())


def outcomes_of(name: str, values: tuple[int, ...], fr: bool = False, gpr: int = 0, **more: Any) -> set[str]:
    """The outcomes of a run that left ``gpr`` in v0."""
    source = states(name, fr)
    after = source.base
    coverage = more.pop("coverage", None)
    after = replace(after, gpr=(*after.gpr[:2], gpr, *after.gpr[3:]), **more)
    return set(outcomes(probe(name, fr), (values, 0), returned(after, coverage=coverage)))


def test_sums_and_differences_tell_sign_carry_and_overflow_in_their_width() -> None:
    assert outcomes_of("addu__distinct", (0xFFFF_FFFF, 1)) == {"result zero", "carry", "no overflow"}
    assert outcomes_of("addu__distinct", (0x7FFF_FFFF, 1), gpr=0xFFFF_FFFF_8000_0000) == {
        "result negative",
        "no carry",
        "overflow",
    }
    assert outcomes_of("daddu__distinct", (0xFFFF_FFFF, 1), gpr=1 << 32) == {
        "result positive",
        "no carry",
        "no overflow",
    }
    assert outcomes_of("subu__distinct", (0, 1), gpr=(1 << 64) - 1) == {"result negative", "carry", "no overflow"}
    assert outcomes_of("addiu__distinct", (0x7FFF_FFFF,), gpr=1) >= {"overflow", "no carry"}
    assert outcomes_of("and__distinct", (1, 2)) == {"result zero"}


def test_floating_point_tells_what_it_raised_and_a_branch_where_it_went() -> None:
    assert outcomes_of("add_s__distinct", (0, 0), fcsr=1 << 12 | 1 << 14) == {"inexact", "overflow"}
    assert outcomes_of("add_s__distinct", (0, 0)) == {"exact"}
    assert outcomes_of("c_lt_s__distinct", (0, 0), gpr=2) == {"exact", "condition clear"}
    went = Coverage(frozenset(), frozenset({(0x8000_1004, True)}))
    assert outcomes_of("beq__distinct", (1, 1), coverage=went) == {"taken"}


def test_an_outcome_that_no_state_came_to_says_so() -> None:
    source = states("addu__distinct")
    assert set(source.names()) - set(source.bins.all()) == set(source.given_up)
    assert source.given_up["carry"] == "no state that counts comes to it"


def test_what_results_overwrite_is_not_zero_before() -> None:
    source = states("addu__distinct")
    some = list(source.opening(20))
    assert len({state.gpr[2] for state in some}) > 10
    assert len({state.fpr[0] for state in some}) > 10


def test_pointers_are_what_every_call_starts_from() -> None:
    source = states("lw__i_is_minus_32768")
    base = source.base.gpr[4]
    assert base is not None
    data = next(region for region in source.base.memory if region.name == "data")
    assert base - 0x8000 == data.address + 0x100
    state = source.state(((0x1234_5678,), 0), Random(1))
    assert next(region for region in state.memory if region.name == "data").data[0x100:0x104] == bytes.fromhex(
        "12345678"
    )


def test_the_same_probe_gets_the_same_states_and_others_by_another_seed() -> None:
    assert list(states("subu__distinct").opening(100)) == list(states("subu__distinct").opening(100))
    other = ProbeStates(probe("subu__distinct"), PROGRAM, FUNCTION, ABIS["o32"], False, seed=1)
    assert list(other.opening(100)) != list(states("subu__distinct").opening(100))
