"""What one traced run found out about the inputs: plain data, filled by ``origins.Tracer``."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from harness.states.inverse import Condition, Wanted
from harness.states.model import Place
from harness.states.terms import NOWHERE, Origin, added
from harness.states.words import sign_extended

#: Values inside a range check that are worth trying one by one.
_MOST_OF_RANGE = 32


@dataclass(slots=True)
class Comparison:
    """Two values that the code compared: by a branch, a set-on-less, a trap or a floating-point compare.

    ``is_range`` marks the unsigned comparison with a small constant that guards a table or tells a class of characters.
    """

    address: int
    left: Origin
    right: Origin
    left_value: int
    right_value: int
    holds: bool
    floating: bool = False
    is_range: bool = False

    @property
    def addresses(self) -> tuple[Place, Place] | None:
        """Two words, each the size of an address, whose difference was tested."""
        factors = dict(added(self.left, self.right, sign=-1).terms)
        plus, minus = ([p for p, f in factors.items() if f == wanted and p.size >= 4] for wanted in (1, -1))
        return (plus[0], minus[0]) if len(plus) == len(minus) == 1 else None

    def wanted(self, values: Mapping[Place, int]) -> Iterator[Wanted]:
        """What places would have to hold for the two sides to be equal, and the neighbours of that.

        One place at a time, but for numbers that the code put together from bytes: these change together.
        """
        if self.floating:
            for origin, other in ((self.left, self.right_value), (self.right, self.left_value)):
                if origin.alone is not None:
                    yield ((origin.alone, other),)
            return
        distance = self.left_value - self.right_value
        for place, factor in added(self.left, self.right, sign=-1).terms:
            if place in values and distance % factor == 0:
                equal = values[place] - distance // factor
                bits = 8 * place.size
                inside = range(2, min(self.right_value, _MOST_OF_RANGE) + 1) if self.is_range else ()
                for value in (equal, equal + 1, equal - 1, *(equal - factor * n for n in inside)):
                    if -(1 << bits - 1) <= value < 1 << bits:
                        yield ((place, value & (1 << bits) - 1),)
        for origin, other in ((self.left, self.right_value), (self.right, self.left_value)):
            if len(origin.terms) > 1 and all(place.size == 1 and factor > 0 for place, factor in origin.terms):
                yield tuple((place, other // factor & 0xFF) for place, factor in origin.terms)


@dataclass(slots=True)
class BranchRecord:
    """What one branch did in a run: how often it went each way, and which places its condition depends on."""

    taken: int = 0
    not_taken: int = 0
    places: set[Place] = field(default_factory=set)

    @property
    def directions(self) -> tuple[bool, ...]:
        """The ways it went."""
        return tuple(way for way, count in ((True, self.taken), (False, self.not_taken)) if count)

    @property
    def most(self) -> int:
        """How often the branch went the way that it went most."""
        return max(self.taken, self.not_taken)


@dataclass(slots=True)
class Trace:
    """What a traced run found out.

    ``trap`` is empty unless the run trapped, at the instruction ``trapped_at``; after a bad access ``fault_address``,
    ``need`` (bytes of the access, 1 where it may be unaligned) and ``culprit``, the origin of the base register or of
    the jump's target, tell about it. ``extents`` are the bytes touched of each block, ``alignments`` the widest aligned
    access, ``reads`` the places whose value had a part in anything, ``values`` what the places held (signed, as a
    register shows it). ``path`` are all branches in the order in which they ran, ``unsettled`` those that ran after the
    inputs had decided something: the others go the same way for all inputs. ``calls`` are the words through which the
    functions were called that had not returned at the end. ``counts`` says that the run ended with
    nothing that is left open.
    """

    trap: str = ""
    returned: bool = False
    counts: bool = False
    trapped_at: int = 0
    fault_address: int = 0
    need: int = 1
    culprit: Origin = NOWHERE
    steps: int = 0
    values: dict[Place, int] = field(default_factory=dict)
    reads: set[Place] = field(default_factory=set)
    extents: dict[int, tuple[int, int]] = field(default_factory=dict)
    alignments: dict[int, int] = field(default_factory=dict)
    branches: dict[int, BranchRecord] = field(default_factory=dict)
    comparisons: list[Comparison] = field(default_factory=list)
    uses: dict[Place, set[str]] = field(default_factory=dict)
    path: list[Condition] = field(default_factory=list)
    unsettled: set[int] = field(default_factory=set)
    calls: list[Place] = field(default_factory=list)

    @property
    def unexplained(self) -> int:
        """The part of the faulting address, a canonical guest address, that no place accounts for."""
        explained = sum(self.values.get(place, 0) * factor for place, factor in self.culprit.terms)
        return sign_extended(self.fault_address - explained)

    def wanted(self) -> Iterator[tuple[Place, int]]:
        """Values, unsigned, with which a place would have made a comparison equal, or just not."""
        for comparison in self.comparisons:
            for together in comparison.wanted(self.values):
                yield from together
