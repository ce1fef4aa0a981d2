"""Where the check of one function gets its states from."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

from hypothesis import strategies as st

from harness.engines.base import MachineState
from harness.states.draw import Draft, drafts, examples
from harness.states.expand import expand, family
from harness.states.model import Shape


class ShapedStates:
    """The states of one shape: first what the search for it found, then whatever is drawn."""

    def __init__(self, shape: Shape) -> None:
        self.shape = shape
        self.base: MachineState = shape.base
        self.drafts: st.SearchStrategy[Draft] = drafts(shape)

    def opening(self, states: int) -> Iterator[MachineState]:
        """The base state, and one for each way of its own that the search found: half of all states at most."""
        return islice(self._found(), states // 2)

    def _found(self) -> Iterator[MachineState]:
        yield self.base
        for draft in examples(self.shape):
            yield expand(self.shape, draft)

    def judged(self, before: MachineState, discarded: str) -> None:
        """Nothing is learned while the legs run: a state follows from the shape and its draft alone."""

    def family(self, draft: Draft) -> tuple[MachineState, ...]:
        """The states that a drawn draft stands for."""
        return family(self.shape, draft)
