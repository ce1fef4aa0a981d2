"""What the search takes a place or a block for, until it knows better."""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.states.model import Input, Kind, Place

#: Rooms in the order in which inputs are printed and written.
ORDER = {"gpr": 0, "fpr": 1, "hi": 2, "lo": 2, "stack": 3, "image": 4, "block": 5}


@dataclass(slots=True)
class Guess:
    """What one place is taken for; ``uses`` are the kinds of instructions that used copies of it.

    ``values``, ``null``, ``length_of`` and ``unit`` are what the user says of it.
    """

    kind: Kind = Kind.SCALAR
    block: int = -1
    limit: int = 0
    fixed: bool = False
    redrawn: int = 0
    values: range | tuple[int, ...] = ()
    null: bool | None = None
    length_of: Place | None = None
    unit: int = 1
    is_told: bool = False  # by the user: no run makes it anything else
    is_read: bool = False
    uses: set[str] = field(default_factory=set)
    favourites: dict[int, None] = field(default_factory=dict)

    def as_input(self, place: Place) -> Input:
        """The guess as the shape will say it."""
        return Input(
            place=place,
            kind=self.kind_by_use(place) if self.kind is Kind.SCALAR else self.kind,
            block=self.block,
            nullable=self.null if self.null is not None else "tested" in self.uses,
            limit=self.limit,
            wide="wide" in self.uses,
            narrow="word" in self.uses,
            fixed=self.fixed,
            signed="signed" in self.uses,
            values=self.values,
            favourites=tuple(self.favourites),
        )

    def kind_by_use(self, place: Place) -> Kind:
        """What a scalar is, by the floating-point instructions that used copies of it."""
        if "integer" in self.uses:
            return Kind.SCALAR
        if "double" in self.uses and place.size == 8:
            return Kind.DOUBLE
        if "float" in self.uses:
            return Kind.FLOAT
        if "double high" in self.uses:
            return Kind.DOUBLE_HIGH
        return Kind.DOUBLE_LOW if "double low" in self.uses else Kind.SCALAR


@dataclass(slots=True)
class FoundBlock:
    """A block in its cell: bytes mapped, bytes touched, widest aligned access, pointers on the way to it."""

    depth: int
    mapped: tuple[int, int] = (0, 1)
    touched: tuple[int, int] = (0, 0)
    alignment: int = 1

    @property
    def spare(self) -> int:
        """Bytes to add above what was touched: a walk may go further in other states, and text ends in zeros."""
        return 16 + min(256, self.touched[1] - self.touched[0])


def printed_order(item: tuple[Place, Guess]) -> tuple[int, int, int, int]:
    """Registers first, blocks last; of words at one place the widest first, so that a narrower one is written later."""
    place = item[0]
    return ORDER[place.room], place.number, place.offset, -place.size
