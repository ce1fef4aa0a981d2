"""Which functions a function pointer may lead to: those under which runs were seen to end, or not yet seen to trap."""

from __future__ import annotations

from collections.abc import Mapping

from harness.program.model import Program
from harness.states.code import callable_functions
from harness.states.model import Place
from harness.states.trace import Trace


class Callees:
    """The candidates for each word that a function jumps to."""

    def __init__(self, program: Program) -> None:
        self.all = callable_functions(program)
        self._good: dict[Place, dict[int, None]] = {}
        self._bad: dict[Place, set[int]] = {}

    def choose(self, place: Place, number: int) -> int:
        """Candidate ``number`` of a place, counted round and round."""
        bad = self._bad.get(place, set())
        left = [address for address in self.all if address not in bad] or self.all
        return left[number % len(left)]

    def known(self, place: Place) -> tuple[int, ...]:
        """The functions under which a run ended; all candidates where there is none."""
        return tuple(self._good.get(place, ())) or self.all

    def learn(self, trace: Trace, values: Mapping[Place, int], places: set[Place]) -> None:
        """Takes over a run that ended: what ``places`` led to is good."""
        if trace.counts:
            for place in sorted(places):
                self._good.setdefault(place, {})[values[place]] = None

    def give_up(self, trace: Trace, values: Mapping[Place, int]) -> set[Place]:
        """Takes the function in which, or in whose callees, the run trapped off the candidates of its word; gives that.

        Empty when it is none, or the last candidate: then its arguments have to be mended.
        """
        if not trace.calls:
            return set()
        place = trace.calls[-1]
        bad = self._bad.setdefault(place, set())
        if len(bad) + 1 >= len(self.all) or place not in values:
            return set()
        bad.add(values[place])
        return {place}
