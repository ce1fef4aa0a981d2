"""Whole programs on both references: each finds itself right, and nothing differs at any return of a function."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import cache
from typing import Any

import pytest
from whole_programs import BUILDS, FUEL, NAMES, Comparison, Legs, disagreement, load_build

from harness.engines.base import MachineState
from interp.optable import ROWS, Kind, decode


@cache
def legs_of(build: str) -> Legs:
    """The legs of one build, kept: what they compiled serves all its programs."""
    return Legs.of(load_build(build))


@cache
def comparison(build: str, name: str) -> Comparison:
    """What one program of one build said."""
    return legs_of(build).compare(name)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("build", BUILDS)
def test_a_program_finds_itself_right_and_the_references_agree_at_every_return(build: str, name: str) -> None:
    assert comparison(build, name).findings == ()


@pytest.mark.parametrize("build", BUILDS)
def test_the_programs_of_a_build_return_more_than_fifteen_hundred_times(build: str) -> None:
    returns = [comparison(build, name).returns for name in NAMES]
    assert min(returns) > 4
    assert sum(returns) > 1500


def replay_agrees(build: str, name: str) -> bool:
    """Whether the traced replay of a program is in the same states as its run at every return."""
    legs = legs_of(build)
    legs.compare(name)
    again = legs.reference.replayed(legs.build.before(), FUEL)
    return again == [arrival.after for arrival in legs.reference.arrivals]


@pytest.mark.parametrize("name", NAMES)
def test_a_traced_replay_is_in_the_same_states_at_every_return(name: str) -> None:
    assert replay_agrees("n32-Os", name)


@pytest.mark.campaign
@pytest.mark.parametrize("build", BUILDS)
def test_traced_replays_of_all_builds_are_in_the_same_states_at_every_return(build: str) -> None:
    assert [name for name in NAMES if not replay_agrees(build, name)] == []


# --- the tester, tested: one wrong bit at a return --------------------------------------------------------------------


PLACES = (*(f"gpr {n}" for n in range(1, 32)), *(f"fpr {n}" for n in range(32)), "hi", "lo", "fcsr", "memory")


def with_wrong_bit(state: MachineState, place: str) -> MachineState:
    """A state with the lowest bit of one place the other way: of a register, or of the first byte of the stack."""
    name, _, number = place.partition(" ")
    value = getattr(state, name)
    if name == "memory":
        *others, stack = value
        return replace(state, memory=(*others, replace(stack, data=bytes([stack.data[0] ^ 1]) + stack.data[1:])))
    if not number:
        return replace(state, **{name: value ^ 1})
    return replace(state, **{name: tuple(value ^ (n == int(number)) for n, value in enumerate(value))})


@pytest.mark.parametrize("build", ["o32-O2", "n32-O2", "eabi-O2"])
def test_one_wrong_bit_at_one_return_is_found_there(build: str) -> None:
    legs = legs_of(build)
    legs.compare("callbacks")
    ours, theirs = legs.reference.arrivals, legs.unicorn.arrivals
    right = theirs[6]
    assert right.after is not None
    for place in PLACES:
        theirs[6] = replace(right, after=with_wrong_bit(right.after, place))
        (finding,) = disagreement(legs.build, legs.build.before(), ours, theirs)
        assert finding.startswith("return 7, "), place


# --- the tester, tested: rows that are wrong -------------------------------------------------------------------------

#: (meaning, operands) -> what a wrong row gives.
Wrong = Callable[[Callable[..., Any], tuple[Any, ...]], Any]

#: The rows that the programs run; a compiler writes no others for them.
_NAMES_RUN = """
    add.d add.s addiu addu and andi bc1f bc1fl bc1t bc1tl beq beql bgez bgezl bgtz bgtzl blez blezl bltz bltzl bne bnel
    c.eq.d c.eq.s c.le.d c.le.s c.lt.d c.lt.s c.ule.d c.un.d cvt.d.l cvt.d.s cvt.d.w cvt.s.d cvt.s.l cvt.s.w
    daddiu daddu ddiv ddivu div div.d div.s divu dmfc1 dmtc1 dmult dmultu dsll dsll32 dsllv dsra dsra32 dsrav dsrl
    dsrl32 dsrlv dsubu j jal jalr jr lb lbu ld ldc1 ldl ldr lh lhu lui lw lwc1 lwl lwr lwu mfc1 mfhi mflo mov.d mov.s
    mtc1 mul.d mul.s mult multu nor or ori sb sd sdc1 sdl sdr sh sll sllv slt slti sltiu sltu sqrt.d sqrt.s sra srav
    srl srlv sub.d sub.s subu sw swc1 swl swr teq trunc.l.d trunc.w.d trunc.w.s xor xori
"""
ROWS_RUN = frozenset(_NAMES_RUN.split())
#: TEQ stands behind divisions and never traps in a program that is right: there is nothing to see in a wrong one.
SILENT = frozenset({"teq"})


@cache
def runs_of_rows() -> dict[str, list[tuple[str, str]]]:
    """By row, the builds and programs that run it."""
    found = defaultdict(list)
    for build in BUILDS:
        legs = legs_of(build)
        program = legs.build.program
        names = {
            address: insn.row.name
            for function in program.functions
            for address, word in program.words(function)
            if (insn := decode(word)) is not None
        }
        for name in NAMES:
            legs.reference.load(program.target(legs.build.entry(name), legs.build.abi.fr))
            reached = legs.reference.run(legs.build.before(), FUEL).coverage
            assert reached is not None
            for row in sorted({names[address] for address in reached.instructions}):
                found[row].append((build, name))
    return dict(found)


@contextmanager
def planted(name: str, wrong: Wrong) -> Iterator[None]:
    """Makes a row of the reference wrong."""
    row = next(row for row in ROWS if row.name == name)
    right = row.meaning
    object.__setattr__(row, "meaning", lambda *operands: wrong(right, operands))
    try:
        yield
    finally:
        object.__setattr__(row, "meaning", right)


def findings_with(row: str, wrong: Wrong, build: str, name: str) -> tuple[str, ...]:
    """What is found when a program runs with a wrong row."""
    with planted(row, wrong):
        return Legs.of(load_build(build)).compare(name).findings


def inverted(right: Callable[..., Any], operands: tuple[Any, ...]) -> Any:
    """The first result with all bits the other way, and so a decision or a condition."""
    result = right(*operands)
    if isinstance(result, tuple):
        return _inverted(result[0]), *result[1:]
    return _inverted(result)


def _inverted(result: Any) -> Any:
    return not result if isinstance(result, bool) else ~result


def nothing_stored(_right: Callable[..., Any], _operands: tuple[Any, ...]) -> None:
    """A store that leaves memory as it was."""


def test_the_programs_run_these_rows() -> None:
    assert set(runs_of_rows()) == ROWS_RUN


@pytest.mark.parametrize("row", sorted(ROWS_RUN - SILENT))
def test_a_wrong_row_is_found_by_the_first_program_that_shows_its_results(row: str) -> None:
    kind = next(known.kind for known in ROWS if known.name == row)
    wrong = nothing_stored if kind is Kind.STORE else inverted
    assert any(findings_with(row, wrong, build, name) for build, name in runs_of_rows()[row][:8])
