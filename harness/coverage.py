"""How much of one function the reference's runs reached: instructions, and directions of conditional branches."""

from __future__ import annotations

from collections.abc import Iterable

from harness.engines.base import Coverage
from harness.results import Missed
from harness.verdicts import Miss
from interp.optable import Kind, decode

#: A branch and whether it is taken.
Direction = tuple[int, bool]


class Reach:
    """What has been reached of one function, out of what is there.

    Instructions are those of the function's own extent; what its callees execute does not count. A conditional branch
    has two directions; one that register 0 or a register compared with itself decides (``b``, ``bal``) has none.
    """

    def __init__(self, words: Iterable[tuple[int, int]]) -> None:
        """Takes the function as pairs of guest address and instruction word."""
        self._instructions: frozenset[int] = frozenset()
        self._edges: set[Direction] = set()
        self._words = dict(words)
        for address, word in self._words.items():
            insn = decode(word)
            if insn is not None and insn.conditional:
                self._edges |= {(address, True), (address, False)}
        self._addresses = frozenset(self._words)
        self.reached: set[Direction] = set()
        self._unfinished: set[Direction] = set()

    def add(self, coverage: Coverage) -> None:
        """Adds what one run reached."""
        self._instructions |= coverage.instructions & self._addresses
        self.reached |= coverage.edges & self._edges

    def add_unfinished(self, coverage: Coverage) -> None:
        """Adds what a run reached that does not count: it says no more than that there is a way there."""
        self._unfinished |= coverage.edges & self._edges

    def directions(self, coverage: Coverage) -> frozenset[Direction]:
        """The branch directions of the function that one run went."""
        return coverage.edges & self._edges

    @property
    def is_complete(self) -> bool:
        """Whether every branch direction was gone."""
        return len(self.reached) == len(self._edges)

    def missed(self, impossible: Iterable[Direction]) -> tuple[Missed, ...]:
        """The directions that no counted run went, ascending, each with the reason as far as it is known.

        ``impossible`` are those that no input can make the function go.
        """
        dead = self._dead(frozenset(impossible) - self.reached - self._unfinished)
        met = {address for address, _ in self.reached}
        return tuple(
            Missed(direction[0], direction[1], self._why(direction, dead, met))
            for direction in sorted(self._edges - self.reached)
        )

    def _why(self, direction: Direction, dead: frozenset[Direction], met: set[int]) -> Miss:
        if direction in self._unfinished:
            return Miss.UNFINISHED
        if direction in dead:
            return Miss.IMPOSSIBLE
        return Miss.UNSOLVED if direction[0] in met else Miss.BEHIND

    def _dead(self, impossible: frozenset[Direction]) -> frozenset[Direction]:
        """``impossible``, and all directions that only they lead to."""
        if not impossible:
            return impossible
        alive, waiting = set(), [min(self._addresses)]
        while waiting:
            address = waiting.pop()
            if address not in self._words or address in alive:
                continue
            alive.add(address)
            following = _following(address, self._words[address], impossible)
            if following is None:  # a jump through a register may lead anywhere
                return impossible
            waiting += following
        return impossible | {direction for direction in self._edges if direction[0] not in alive}

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
        return len(self.reached)


def _following(address: int, word: int, impossible: frozenset[Direction]) -> list[int] | None:
    """Where control may be next, delay slots aside; None where that cannot be told."""
    insn = decode(word)
    if insn is None or not insn.row.kind.has_slot or insn.row.links:
        return [address + 4]
    if insn.row.kind is Kind.INDIRECT:
        return [] if insn.s == 31 else None
    if not insn.conditional:
        return [insn.target(address)] if insn.row.kind is Kind.JUMP or insn.row.name.startswith("beq") else None
    ways = {True: insn.target(address), False: address + 8}
    return [target for taken, target in ways.items() if (address, taken) not in impossible]
