"""The compact description of states that Hypothesis draws.

Drawing a whole state costs milliseconds, drawing one integer a fifth of one. So Hypothesis draws a ``Draft``, and
``expand`` makes a small family of states out of it.
"""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import strategies as st

from harness.states.model import Edit, Shape

_SEEDS = st.integers(min_value=0, max_value=(1 << 64) - 1)


@dataclass(frozen=True, slots=True)
class Draft:
    """A family of states in few words: a seed, and words that must hold given values."""

    seed: int
    edits: tuple[Edit, ...] = ()


def drafts(shape: Shape) -> st.SearchStrategy[Draft]:
    """Draws drafts for ``shape``: every second one varies a state that reached something of its own."""
    kept = shape.kept
    if not kept:
        return _SEEDS.map(Draft)
    return _SEEDS.map(lambda seed: Draft(seed, kept[(seed >> 1) % len(kept)] if seed & 1 else ()))


def examples(shape: Shape) -> tuple[Draft, ...]:
    """Drafts to run before any drawn one: what the search for the shape found on its way."""
    return (Draft(0), *(Draft(number, edits) for number, edits in enumerate(shape.kept, start=1)))
