"""Without ties: which instruction it may be, by what a changed reference does, or by what wrong places came from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from harness.abi import SP
from harness.compare import Rules, compared_registers
from harness.engines.base import MachineState, Target
from harness.engines.replay import Step
from harness.explain.dice import diced
from harness.explain.dictionary import Dictionary, Hit
from harness.explain.lockstep import differing, held_in
from harness.explain.states import Judged, States
from harness.explain.trace import traced
from interp.optable import Loc


@dataclass(frozen=True, slots=True)
class Guess:
    """Addresses, the likeliest first, with what each does instead where that is known.

    ``fitting`` counts the instructions of which a change does all that the C does, ``of`` those that were executed.
    """

    addresses: tuple[int, ...]
    likes: dict[int, str]
    fitting: int
    of: int


def guess(target: Target, states: States, rules: Rules, fuel: int) -> Guess:
    """The likeliest instructions of failing states."""
    runs = [(traced(target, one.before, fuel), wrong_places(one, rules)) for one in states.failing]
    good = [(traced(target, one.before, fuel), frozenset[Loc]()) for one in states.passing]
    ranked = diced([*runs, *good], _Counting(states.failing[0].before, rules))
    by_opcode = _by_opcode(runs[0][0], ranked)
    dictionary = Dictionary(target, states, rules, fuel)
    hits = [hit for addresses in by_opcode for hit in dictionary.hits(addresses)]
    if not any(_is_whole(hit, states) for hit in hits):
        single = [address for addresses in by_opcode for address in addresses if len(addresses) > 1]
        hits += [hit for address in sorted(single, key=ranked.index) for hit in dictionary.hits([address])]
    likes: dict[int, str] = {}
    for hit in sorted(hits, key=lambda hit: (-hit.failing, -hit.passing, hit.order, ranked.index(hit.addresses[0]))):
        likes.setdefault(hit.addresses[0], hit.like)
    fitting = {hit.addresses[0] for hit in hits if _is_whole(hit, states)}
    return Guess(tuple(dict.fromkeys([*likes, *ranked])), likes, len(fitting), len(ranked))


def like_of(target: Target, states: States, rules: Rules, fuel: int, addresses: Sequence[int]) -> str:
    """What instructions do instead, if one change of theirs does all that the C does in all states; else empty."""
    hits = Dictionary(target, states, rules, fuel).hits(addresses)
    return next((hit.like for hit in hits if _is_whole(hit, states)), "")


def _is_whole(hit: Hit, states: States) -> bool:
    return hit.failing == len(states.failing) and hit.passing == len(states.passing)


def _by_opcode(steps: Sequence[Step], ranked: Sequence[int]) -> list[list[int]]:
    """The executed addresses by opcode, both in the order of ``ranked``."""
    names = {step.address: step.insn.row.name for step in steps if step.insn is not None}
    found: dict[str, list[int]] = {}
    for address in ranked:
        if address in names:
            found.setdefault(names[address], []).append(address)
    return list(found.values())


def wrong_places(one: Judged, rules: Rules) -> frozenset[Loc]:
    """The places in scope that the C left otherwise than the first reference."""
    right, value = one.outcomes[0][1].after, one.outcomes[-1][1].after
    if right is None or value is None:
        return frozenset()
    registers = compared_registers(rules, right.fr)
    wrong = {loc for loc in registers if held_in(right, loc) != held_in(value, loc) is not None}
    counts = _Counting(one.before, rules)
    regions = {region.address: region.data for region in value.memory}
    for region in right.memory:
        if region.writable:
            places = (("mem", region.address + n) for n in differing(region.data, regions[region.address]))
            wrong |= {loc for loc in places if counts(loc)}
    return frozenset(wrong)


class _Counting:
    """Whether a place is looked at after a run: a register in scope, or memory but the dead stack."""

    def __init__(self, before: MachineState, rules: Rules) -> None:
        self._registers = compared_registers(rules, before.fr)
        sp = before.gpr[SP] or 0
        bottom = next((one.address for one in before.memory if one.address <= sp <= one.end), sp)
        self._dead = range(bottom, sp + rules.abi.home_bytes)

    def __call__(self, loc: Loc) -> bool:
        return loc[1] not in self._dead if loc[0] == "mem" else loc in self._registers
