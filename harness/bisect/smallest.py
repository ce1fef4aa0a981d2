"""Delta debugging: the smallest part of a set that is enough.

Source: Zeller and Hildebrandt, "Simplifying and Isolating Failure-Inducing Input", IEEE TSE 28 (2), 2002, section 3.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

_T = TypeVar("_T")


def smallest(whole: Sequence[_T], enough: Callable[[Sequence[_T]], bool]) -> list[_T]:
    """A part of ``whole`` that is ``enough``, and of which no element can be left out; ``whole`` must be enough."""
    kept, pieces = list(whole), 2
    while len(kept) >= 2:
        size = -(-len(kept) // pieces)
        parts = [kept[start : start + size] for start in range(0, len(kept), size)]
        found = next((part for part in parts if enough(part)), None)
        if found is not None:
            kept, pieces = found, 2
            continue
        rests = ([one for part in parts if part is not left_out for one in part] for left_out in parts)
        found = next((rest for rest in rests if len(parts) > 2 and enough(rest)), None)
        if found is not None:
            kept, pieces = found, max(pieces - 1, 2)
        elif pieces >= len(kept):
            break
        else:
            pieces = min(2 * pieces, len(kept))
    return kept
