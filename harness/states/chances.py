"""Comparisons that always fell the same way, and the single words that might turn them round.

This is the frontier of the search: for each comparison a few runs that reached it are remembered with a value for one
of their words that would have made both sides equal, or just unequal. The comparison tried least comes first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.states.model import Place
from harness.states.trace import Trace, Wanted

_MOST_CHANCES = 16


@dataclass(frozen=True, slots=True)
class Chance:
    """A run that reached a comparison, and the words to change in it."""

    values: Mapping[Place, int]
    wanted: Wanted


@dataclass(slots=True)
class _Frontier:
    ways: set[bool] = field(default_factory=set)
    tried: int = 0
    chances: dict[Wanted, Chance] = field(default_factory=dict)
    used: set[Wanted] = field(default_factory=set)


class Chances:
    """The frontier of one function."""

    def __init__(self) -> None:
        self._by_address: dict[int, _Frontier] = {}

    def note(self, trace: Trace, values: Mapping[Place, int]) -> None:
        """Takes over the comparisons of a run that started from ``values``."""
        values = dict(values)
        for comparison in trace.comparisons:
            frontier = self._by_address.setdefault(comparison.address, _Frontier())
            frontier.ways.add(comparison.holds)
            if len(frontier.ways) > 1:
                continue
            for wanted in comparison.wanted(trace.values):
                if wanted not in frontier.used and len(frontier.chances) < _MOST_CHANCES:
                    frontier.chances.setdefault(wanted, Chance(values, wanted))

    def next(self) -> Chance | None:
        """The next chance to try, or None when every comparison fell both ways or has nothing left to try."""
        open_ones = [f for f in self._by_address.values() if len(f.ways) == 1 and f.chances]
        if not open_ones:
            return None
        frontier = min(open_ones, key=lambda f: f.tried)
        frontier.tried += 1
        wanted = next(iter(frontier.chances))
        frontier.used.add(wanted)
        return frontier.chances.pop(wanted)
