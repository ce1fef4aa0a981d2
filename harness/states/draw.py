"""The compact description of states that Hypothesis draws.

Drawing a whole state costs milliseconds, drawing one integer a fifth of one. So Hypothesis draws a ``Draft``, and
``expand`` makes a small family of states out of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from hypothesis import strategies as st

from harness.states.model import Edit, Shape

#: Hypothesis draws favourite integers too, and those that stand in modules which happen to be imported: what is drawn
#: would depend on whether a check runs under pytest. There are none so far out, where it draws evenly.
_FAR = 1 << 200
_SEEDS = st.integers(min_value=_FAR, max_value=_FAR + (1 << 64) - 1).map(lambda number: number - _FAR)


@dataclass(frozen=True, slots=True)
class Draft:
    """A family of states in few words: a seed, and words that must hold given values."""

    seed: int
    edits: tuple[Edit, ...] = ()


def drafts(kept: Sequence[tuple[Edit, ...]]) -> st.SearchStrategy[Draft]:
    """Draws drafts from ``kept`` runs, which may become more while drafts are drawn."""
    return _SEEDS.map(lambda seed: draft_of(seed, kept))


def draft_of(seed: int, kept: Sequence[tuple[Edit, ...]]) -> Draft:
    """The draft that a drawn number of 64 bits stands for: every second one varies one of the kept runs."""
    return Draft(seed, kept[(seed >> 1) % len(kept)] if kept and seed & 1 else ())


def examples(shape: Shape) -> tuple[Draft, ...]:
    """Drafts to run before any drawn one: what the search for the shape found on its way."""
    return (Draft(0), *(Draft(number, edits) for number, edits in enumerate(shape.kept, start=1)))
