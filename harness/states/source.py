"""Where the check of one function gets its states from."""

from __future__ import annotations

import random
from collections.abc import Iterator
from itertools import islice

from hypothesis import strategies as st

from harness.coverage import Direction, Reach
from harness.engines.base import MachineState, Outcome
from harness.errors import HarnessError
from harness.states.draw import Draft, draft_of, drafts, examples
from harness.states.expand import expand, family
from harness.states.model import Edit, Shape
from harness.states.shape import Search

#: Families after which the search goes on from the states tried so far, each time with half of its first effort.
_GOING_ON = (3, 8, 16)
#: States that it goes on from, each of which went along another set of branches.
_MOST_STARTS = 40


class ShapedStates:
    """The states of one shape: first what the search for it found, then whatever is drawn.

    With a ``search`` that can go on, it does so between drawn families, from what these reached, as long as branch
    directions are missing.
    """

    def __init__(self, shape: Shape, search: Search | None = None) -> None:
        self._search = search
        self._reach = Reach(search.words if search else ())
        self._shapes = [shape]
        self._kept: list[tuple[Edit, ...]] = list(shape.kept)
        self._families = 0
        self._seen: set[frozenset[Direction]] = set()
        self._starts: list[MachineState] = []
        self.drafts: st.SearchStrategy[Draft] = drafts(self._kept)

    @property
    def shape(self) -> Shape:
        """The shape as it is known now."""
        return self._shapes[-1]

    @property
    def base(self) -> MachineState:
        """The state in which all is as simple as it can be."""
        return self.shape.base

    def base_for(self, before: MachineState) -> MachineState:
        """The base of the shape that a state was made in.

        Errors: ``HarnessError`` for a state that is not of this source.
        """
        for shape in reversed(self._shapes):
            if _layout(shape.base) == _layout(before):
                return shape.base
        raise HarnessError("states", "a state of no shape of this function")

    def opening(self, states: int) -> Iterator[MachineState]:
        """The base state, and one for each way of its own that the search found: half of all states at most."""
        return islice(self._found(), states // 2)

    def at_random(self, states: int, seed: int) -> Iterator[MachineState]:
        """``states`` as a check runs them, drawn without Hypothesis."""
        opening = list(self.opening(states))
        yield from opening
        left = states - len(opening)
        chance = random.Random(seed)
        while left > 0:
            for before in islice(self.family(draft_of(chance.getrandbits(64), self._kept)), left):
                left -= 1
                yield before

    def _found(self) -> Iterator[MachineState]:
        yield self.base
        for draft in examples(self.shape):
            yield expand(self.shape, draft)

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        """Remembers a state that went along a set of branches of its own."""
        coverage = outcome.coverage
        if coverage is None or discarded:
            return
        self._reach.add(coverage)
        went = self._reach.directions(coverage)
        if went not in self._seen and len(self._starts) < _MOST_STARTS:
            self._seen.add(went)
            self._starts.append(before)

    def family(self, draft: Draft) -> Iterator[MachineState]:
        """The states that a drawn draft stands for; before them those that the search has found by now."""
        self._families += 1
        if self._families in _GOING_ON:
            yield from self._found_later()
        yield from family(self.shape, draft)

    def impossible(self) -> frozenset[Direction]:
        """Branch directions that no input can make the function go, as far as that is certain."""
        return self._search.impossible() if self._search is not None else frozenset()

    def _found_later(self) -> Iterator[MachineState]:
        if self._search is None or self._reach.is_complete:
            return
        starts, self._starts = self._starts, []
        known = len(self._kept)
        if self._search.go_on(starts, self._reach.reached):
            self._shapes.append(self._search.shape)
            self._kept[:] = self._search.shape.kept
            for number, edits in enumerate(self._kept[known:], known + 1):
                yield expand(self.shape, Draft(number, edits))


def _layout(state: MachineState) -> list[tuple[int, int]]:
    return [(region.address, len(region.data)) for region in state.memory]
