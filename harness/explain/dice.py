"""Dice: an instruction is suspected by the share of wrong places among those that its results came to.

The weakest method that says anything; it needs nothing but the traced runs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence

from harness.engines.replay import Step
from interp.optable import Loc


def influences(steps: Sequence[Step]) -> dict[Loc, frozenset[int]]:
    """For each place that a run wrote, the addresses of the instructions that its last value came from."""
    made: dict[Loc, frozenset[int]] = {}
    for step in steps:
        came = frozenset([step.address]).union(*(made.get(loc, frozenset()) for loc in step.reads))
        made.update(dict.fromkeys(step.writes, came))
    return made


def diced(runs: Iterable[tuple[Sequence[Step], frozenset[Loc]]], counts: Callable[[Loc], bool]) -> list[int]:
    """The addresses of all instructions executed, the most suspect first.

    A run comes with its wrong places; ``counts`` says which places are looked at after a run.
    """
    wrong: Counter[int] = Counter()
    right: Counter[int] = Counter()
    order: dict[int, int] = {}
    for steps, places in runs:
        for loc, addresses in influences(steps).items():
            if not counts(loc):
                continue
            (wrong if loc in places else right).update(addresses)
        for step in steps:
            if step.insn is not None:
                order.setdefault(step.address, len(order))
    total = max(sum(wrong.values()), 1)

    def score(address: int) -> float:
        return wrong[address] / (wrong[address] + right[address] + 1) + wrong[address] / total

    return sorted(order, key=lambda address: (-score(address), -order[address]))
