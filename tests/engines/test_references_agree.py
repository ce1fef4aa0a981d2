"""The two references, held against each other on random programs: where both finish, they leave the same."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from random import Random

import pytest
from random_programs import Mix, program, state

from harness.abi import ABIS
from harness.compare import Result, Rules, Scope, judge_references
from harness.engines.base import MachineState, Outcome
from harness.engines.reference import Reference
from harness.engines.unicorn import Unicorn
from harness.program.disassembly import disassemble

MIXES = {
    "integer": Mix(integer=1),
    "memory": Mix(integer=2, memory=3),
    "branches": Mix(integer=4, memory=3, branch=3),
    "floating": Mix(floating=6, branch=1, integer=1),
}


def agreement(mix: Mix, fr: bool, programs: int, seed: int, unicorn: Unicorn) -> Counter[str]:
    """Runs programs on both legs; counts what happened by name, and fails at the first disagreement."""
    rules = Rules(Scope.ALL, next(iter(ABIS.values())))
    reference = Reference()
    seen: Counter[str] = Counter()
    for number in range(programs):
        random = Random(f"{seed} {number}")
        target = program(random, mix, random.choice((3, 10, 40)), fr)
        reference.load(target)
        unicorn.load(target)
        for _ in range(4):
            before = state(random, fr)
            ours, theirs = reference.run(before, 1000), unicorn.run(before, 1000)
            judgement = judge_references(before, (("reference", ours), ("unicorn", theirs)), rules)
            if judgement is None:
                seen["agree"] += 1
                continue
            listing = [
                f"{address:x} {disassemble(word, address)}"
                for address, word in enumerate_words(target.code[0].data[: target.size])
            ]
            assert judgement.result is not Result.REFERENCES_DISAGREE, (
                number,
                judgement.difference,
                before.gpr,
                listing,
            )
            seen[judgement.reason] += 1
    return seen


class Faulty(Unicorn):
    """Unicorn with one bit wrong in what it leaves in v0."""

    def run(self, before: MachineState, fuel: int) -> Outcome:
        outcome = super().run(before, fuel)
        after = outcome.after
        if after is None or after.gpr[2] is None:
            return outcome
        gpr = (*after.gpr[:2], after.gpr[2] ^ 1, *after.gpr[3:])
        return replace(outcome, after=replace(after, gpr=gpr))


def enumerate_words(code: bytes) -> list[tuple[int, int]]:
    """Offsets and words of a piece of code."""
    return [(at, int.from_bytes(code[at : at + 4], "big")) for at in range(0, len(code), 4)]


@pytest.mark.parametrize("fr", [True, False], ids=["fr1", "fr0"])
@pytest.mark.parametrize("mix", MIXES)
def test_the_references_agree_on_random_programs(mix: str, fr: bool) -> None:
    seen = agreement(MIXES[mix], fr, 60, seed=1, unicorn=Unicorn())
    assert seen["agree"] > 120, seen


@pytest.mark.campaign
@pytest.mark.parametrize("fr", [True, False], ids=["fr1", "fr0"])
@pytest.mark.parametrize("mix", MIXES)
def test_the_references_agree_on_many_random_programs(mix: str, fr: bool) -> None:
    seen = agreement(MIXES[mix], fr, 3000, seed=2, unicorn=Unicorn())
    assert seen["agree"] > 6000, seen


def test_a_leg_with_one_wrong_bit_is_found_out() -> None:
    with pytest.raises(AssertionError, match="v0"):
        agreement(MIXES["integer"], True, 2, seed=1, unicorn=Faulty())
