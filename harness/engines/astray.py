"""Jumps through registers for which C has no place: into the middle of another function, and no return from a call.

Only a pointer that no program would hold leads there; what the guest then does says nothing about its C.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable

from harness.engines.base import Target
from interp.optable import decode

#: Where the block of a jump begins, and its target.
Jump = tuple[int, int]


class Strays:
    """Tells such jumps in the program of ``target``; without a list of its functions there are none."""

    def __init__(self, target: Target) -> None:
        self._functions = target.functions
        self._starts = sorted(target.functions)
        self._code = target.code
        self._known: dict[Jump, bool] = {}

    def any(self, jumps: Iterable[Jump]) -> bool:
        """Whether one of the jumps is such a one."""
        return any(self._is_stray(jump) for jump in jumps)

    def _is_stray(self, jump: Jump) -> bool:
        if jump not in self._known:
            start, target = jump
            leaves = bisect_right(self._starts, start) != bisect_right(self._starts, target)
            self._known[jump] = leaves and target not in self._functions and not self._follows_call(target)
        return self._known[jump]

    def _follows_call(self, address: int) -> bool:
        """Whether a call returns to ``address``, or it is in no code at all."""
        call = address - 8
        for region in self._code:
            if region.address <= call and address < region.end:
                insn = decode(int.from_bytes(region.data[call - region.address :][:4], "big"))
                return insn is not None and insn.row.links
        return True
