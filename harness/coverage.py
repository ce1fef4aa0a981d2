"""How much of one function the reference's runs reached: instructions, and directions of conditional branches."""

from __future__ import annotations

from collections.abc import Iterable

from harness.engines.base import Coverage
from interp.optable import decode


class Reach:
    """What has been reached of one function, out of what is there.

    Instructions are those of the function's own extent; what its callees execute does not count. A conditional branch
    has two directions; one that register 0 or a register compared with itself decides (``b``, ``bal``) has none.
    """

    def __init__(self, words: Iterable[tuple[int, int]]) -> None:
        """Takes the function as pairs of guest address and instruction word."""
        self._instructions: frozenset[int] = frozenset()
        self._edges: set[tuple[int, bool]] = set()
        addresses = []
        for address, word in words:
            addresses.append(address)
            insn = decode(word)
            if insn is not None and insn.conditional:
                self._edges |= {(address, True), (address, False)}
        self._addresses = frozenset(addresses)
        self._reached_edges: set[tuple[int, bool]] = set()

    def add(self, coverage: Coverage) -> None:
        """Adds what one run reached."""
        self._instructions |= coverage.instructions & self._addresses
        self._reached_edges |= coverage.edges & self._edges

    @property
    def instructions_total(self) -> int:
        """Instructions of the function."""
        return len(self._addresses)

    @property
    def instructions_reached(self) -> int:
        """Instructions of the function that some run executed."""
        return len(self._instructions)

    @property
    def branches_total(self) -> int:
        """Branch directions of the function."""
        return len(self._edges)

    @property
    def branches_reached(self) -> int:
        """Branch directions of the function that some run went."""
        return len(self._reached_edges)
