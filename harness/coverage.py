"""How much of one function the reference's runs reached: instructions, and directions of conditional branches."""

from __future__ import annotations

from collections.abc import Iterable

from harness.engines.base import Coverage
from interp.optable import Insn, Kind, decode


class Reach:
    """What has been reached of one function, out of what is there.

    Instructions are those of the function's own extent; what its callees execute does not count. A branch that
    compares a register with itself (``b``, ``bal``) has one direction, any other conditional branch two.
    """

    def __init__(self, words: Iterable[tuple[int, int]]) -> None:
        """Takes the function as pairs of guest address and instruction word."""
        self._instructions: frozenset[int] = frozenset()
        self._edges: set[tuple[int, bool]] = set()
        addresses = []
        for address, word in words:
            addresses.append(address)
            insn = decode(word)
            if insn is not None and insn.row.kind in (Kind.BRANCH, Kind.LIKELY):
                self._edges |= {(address, taken) for taken in _directions(insn)}
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


#: Branches on one register whose outcome register zero decides: taken, and not taken.
_ALWAYS_ON_ZERO = {"blez", "bgez", "bgezal", "blezl", "bgezl", "bgezall"}
_NEVER_ON_ZERO = {"bltz", "bgtz", "bltzal", "bltzl", "bgtzl", "bltzall"}


def _directions(insn: Insn) -> tuple[bool, ...]:
    """The directions that a branch can go at all."""
    name = insn.row.name.rstrip("l") if insn.row.name in ("beql", "bnel") else insn.row.name
    if name in ("beq", "bne") and insn.s == insn.t:
        return (name == "beq",)
    if insn.s == 0 and insn.row.name in _ALWAYS_ON_ZERO:
        return (True,)
    if insn.s == 0 and insn.row.name in _NEVER_ON_ZERO:
        return (False,)
    return (True, False)
