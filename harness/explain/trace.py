"""The traced run of a state in the reference, and slices of it: what a value came from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import islice

from harness.engines.base import MachineState, Target
from harness.engines.reference import Reference
from harness.engines.replay import Step
from interp.optable import Loc

#: Instructions of a run that are traced.
MOST_STEPS = 30_000


def traced(target: Target, before: MachineState, fuel: int) -> list[Step]:
    """The run of ``before`` in the reference, instruction by instruction, as far as it is traced."""
    reference = Reference()
    reference.load(target)
    return list(islice(reference.steps(before, fuel), MOST_STEPS))


def last_writer(steps: Sequence[Step], loc: Loc, before: int | None = None) -> int | None:
    """The number of the last step that wrote a place, in front of step ``before``."""
    end = len(steps) if before is None else before
    return next((n for n in range(end - 1, -1, -1) if loc in steps[n].writes), None)


def backward(steps: Sequence[Step], start: int, places: Iterable[Loc] | None = None) -> list[int]:
    """The numbers of the steps that step ``start`` depends on for its values, itself included, ascending.

    ``places`` are those of its operands that count, all where there are none.
    """
    wanted = set(steps[start].reads if places is None else places)
    found = [start]
    for n in range(start - 1, -1, -1):
        made = wanted & steps[n].writes.keys()
        if made:
            found.append(n)
            wanted -= made
            wanted |= steps[n].reads.keys()
            wanted.discard(("gpr", 0))
        if not wanted:
            break
    return found[::-1]


def forward(steps: Sequence[Step], start: int, end: int) -> list[int]:
    """The numbers of the steps up to ``end`` that used what step ``start`` made, itself included."""
    made = set(steps[start].writes)
    found = [start]
    for n in range(start + 1, end + 1):
        if made & steps[n].reads.keys():
            found.append(n)
            made |= steps[n].writes.keys()
        else:
            made -= steps[n].writes.keys()
    return found
