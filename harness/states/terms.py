"""Sums of places: how the value of an instruction's result follows from those of its operands.

Only what compilers use to form addresses, counts and conditions is followed: sums, differences, products with a known
factor, shifts, and masks that cut a value to size or align it. The rest is a mixture of places.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from harness.states.model import Place
from interp.optable import Insn

#: More places than this in one value are not told apart: hashes and checksums mix everything with everything.
_MOST_PLACES = 24

Terms = tuple[tuple[Place, int], ...]


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a value came from: a sum of places times coefficients plus a constant, or only the places.

    ``terms`` is None where the value is no such sum; ``places`` are all that had a part.
    """

    terms: Terms | None
    places: frozenset[Place]

    @property
    def alone(self) -> Place | None:
        """The place that the value is a copy of."""
        return self.terms[0][0] if self.terms and len(self.terms) == 1 and self.terms[0][1] == 1 else None


NOWHERE = Origin((), frozenset())


def of_place(place: Place) -> Origin:
    """The origin of the word at ``place`` itself."""
    return Origin(((place, 1),), frozenset((place,)))


_SUMS = frozenset(("add", "addu", "dadd", "daddu", "or", "xor"))
_DIFFERENCES = frozenset(("sub", "subu", "dsub", "dsubu"))
_PLUS_CONSTANT = frozenset(("addi", "addiu", "daddi", "daddiu"))
PRODUCTS = frozenset(("mult", "multu", "dmult", "dmultu"))
SET_LESS = frozenset(("slt", "sltu", "slti", "sltiu"))


def difference(left: Terms | None, right: Terms | None) -> Terms | None:
    """The terms of ``left`` - ``right``, or None where one of them is no sum."""
    return None if left is None or right is None else _sum(left, right, -1)


def mixed(origins: Iterable[Origin]) -> Origin:
    places: frozenset[Place] = frozenset()
    for origin in origins:
        if not origin.places <= places:
            union = places | origin.places
            places = union if len(union) <= _MOST_PLACES else max(places, origin.places, key=len)
    return Origin(None, places) if places else NOWHERE


def terms_of(insn: Insn, terms: list[Terms | None], values: list[int]) -> Terms | None:
    """The terms of an integer result, or None where it is no sum of places that is worth following."""
    name = insn.row.name
    if any(part is None for part in terms):
        return None
    known = [part for part in terms if part is not None]
    if not any(known):
        return ()
    if name in _PLUS_CONSTANT:
        return known[0]
    if name in _SUMS:
        if name in ("or", "xor") and values[0] & values[1]:
            return None
        return _sum(known[0], known[1], 1)
    if name in _DIFFERENCES:
        return _sum(known[0], known[1], -1)
    if name in PRODUCTS:
        return _scaled(known[0], values[1]) if not known[1] else _scaled(known[1], values[0]) if not known[0] else None
    if name == "ori":
        return known[0] if not values[0] & insn.uimm else None
    if name in ("and", "andi"):
        mask = insn.uimm if name == "andi" else values[1] if not known[1] else values[0] if not known[0] else None
        return (known[0] or known[-1]) if mask is not None and _keeps_low_or_high_bits(mask) else None
    return _shifted(insn, known, values)


def _shifted(insn: Insn, terms: list[Terms], values: list[int]) -> Terms | None:
    name = insn.row.name
    left, right = name.lstrip("d").startswith("sll"), name.lstrip("d").startswith(("srl", "sra"))
    if not (left or right) or name in SET_LESS:
        return None
    if name.endswith("v"):
        shifted, amount = (terms[0], values[1]) if insn.row.reads[0] == "t" else (terms[1], values[0])
        if len(terms) > 1 and terms[0] and terms[1]:
            return None
        amount &= 63 if name.startswith("d") else 31
    else:
        shifted, amount = terms[0], insn.a + (32 if name.endswith("32") else 0)
    if left:
        return _scaled(shifted, 1 << amount)
    if any(factor % (1 << amount) for _, factor in shifted):
        return None
    return tuple((place, factor >> amount) for place, factor in shifted)


def _keeps_low_or_high_bits(mask: int) -> bool:
    """Whether a mask is 0..01..1, which cuts a value to size, or 1..10..0, which aligns it."""
    return mask & (mask + 1) == 0 or (mask < 0 and -mask & (-mask - 1) == 0)


def _scaled(terms: Terms, factor: int) -> Terms | None:
    if abs(factor) >= 1 << 32 and any(abs(old) > 1 for _, old in terms):
        return None
    return tuple((place, old * factor) for place, old in terms) if factor else ()


def _sum(left: Terms, right: Terms, sign: int) -> Terms | None:
    total: Counter[Place] = Counter(dict(left))
    for place, factor in right:
        total[place] += sign * factor
    terms = tuple((place, factor) for place, factor in total.items() if factor)
    return terms if len(terms) <= 4 else None
