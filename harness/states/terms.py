"""Sums of places: how the value of an instruction's result follows from those of its operands.

Only what compilers use to form addresses, counts and conditions is followed: sums, differences, products with a known
factor, shifts, and masks that cut a value to size or align it. The rest is a mixture of places.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from harness.states.model import Place
from interp.optable import Insn

#: More places than this in one value are not told apart: hashes and checksums mix everything with everything.
_MOST_PLACES = 24
_MOST_TERMS = 4

Terms = tuple[tuple[Place, int], ...]


class Made(NamedTuple):
    """The operation that made a value, for going back through it: its operands, and what they held (signed).

    ``name`` is a mnemonic, or what ``inverse`` calls a step that is no instruction.
    """

    name: str
    immediate: int
    operands: tuple[Origin, ...]
    values: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Origin:
    """Where a value came from: places times coefficients, plus a constant, plus a rest that is no such sum.

    ``rest`` are the places that had a part in the rest; empty where there is none. ``made`` is absent where the value
    is what a place holds.
    """

    terms: Terms
    rest: frozenset[Place]
    made: Made | None = field(default=None, compare=False, repr=False)

    def made_by(self, made: Made) -> Origin:
        """The same origin, of a value that ``made`` says the last step of."""
        return Origin(self.terms, self.rest, made)

    @property
    def alone(self) -> Place | None:
        """The place that the value is a copy of, up to a constant."""
        return self.terms[0][0] if len(self.terms) == 1 and self.terms[0][1] == 1 and not self.rest else None

    @property
    def places(self) -> frozenset[Place]:
        """All places that had a part."""
        return self.rest.union(place for place, _ in self.terms) if self.terms else self.rest


_NONE: frozenset[Place] = frozenset()
NOWHERE = Origin((), _NONE)

_SUMS = frozenset(("add", "addu", "dadd", "daddu", "or", "xor"))
_DIFFERENCES = frozenset(("sub", "subu", "dsub", "dsubu"))
_PLUS_CONSTANT = frozenset(("addi", "addiu", "daddi", "daddiu"))
_PRODUCTS = frozenset(("mult", "multu", "dmult", "dmultu"))
_LEFT_SHIFTS = frozenset(("sll", "dsll", "dsll32", "sllv", "dsllv"))
_RIGHT_SHIFTS = frozenset(("srl", "sra", "srlv", "srav", "dsrl", "dsra", "dsrl32", "dsra32", "dsrlv", "dsrav"))


def of_place(place: Place) -> Origin:
    """The origin of the word at ``place`` itself."""
    return Origin(((place, 1),), _NONE)


def mixed(origins: Iterable[Origin]) -> Origin:
    """The origin of a value that depends on others in a way that is not followed."""
    return Origin((), _union(origin.places for origin in origins))


def added(left: Origin, right: Origin, sign: int = 1) -> Origin:
    """The origin of ``left`` + ``sign`` x ``right``."""
    if right is NOWHERE:
        return left
    total = dict(left.terms)
    for place, factor in right.terms:
        total[place] = total.get(place, 0) + sign * factor
    terms = tuple((place, factor) for place, factor in total.items() if factor)
    if len(terms) > _MOST_TERMS:
        return mixed((left, right))
    return Origin(terms, _union((left.rest, right.rest)))


def scaled(origin: Origin, factor: int) -> Origin:
    """The origin of ``factor`` times a value."""
    if not factor:
        return NOWHERE
    if abs(factor) >= 1 << 32:  # the high half of a doubleword; the sum would overflow
        return mixed((origin,)) if any(abs(old) != 1 for _, old in origin.terms) else _times(origin, factor)
    return _times(origin, factor)


def of_result(insn: Insn, operands: list[Origin], values: list[int]) -> Origin:
    """The origin of an integer result of operands of which one is followed; a product's is that of its low half.

    ``operands`` and ``values`` (signed) are in the order of ``insn.sources``.
    """
    name = insn.row.name
    if name in _PLUS_CONSTANT:
        return operands[0]
    if name in _SUMS:
        disjoint = name not in ("or", "xor") or not values[0] & values[1]
        return added(operands[0], operands[1]) if disjoint else mixed(operands)
    if name in _DIFFERENCES:
        return added(operands[0], operands[1], sign=-1)
    if name == "ori":
        return mixed(operands) if values[0] & insn.uimm else operands[0]
    if name == "andi":
        return operands[0] if _cuts_or_aligns(insn.uimm) else mixed(operands)
    if name in ("and", *_PRODUCTS):
        return _with_known_operand(name, operands, values)
    if name in _LEFT_SHIFTS or name in _RIGHT_SHIFTS:
        return _shifted(insn, operands, values)
    return mixed(operands)


def _with_known_operand(name: str, operands: list[Origin], values: list[int]) -> Origin:
    """A mask or product, followed where one operand comes from no input."""
    for origin, other, known in ((operands[0], operands[1], values[1]), (operands[1], operands[0], values[0])):
        if other is NOWHERE and name != "and":
            return scaled(origin, known)
        if other is NOWHERE and _cuts_or_aligns(known):
            return origin
    return mixed(operands)


def _shifted(insn: Insn, operands: list[Origin], values: list[int]) -> Origin:
    name, origin = insn.row.name, operands[0]
    if name.endswith("v"):
        if operands[1] is not NOWHERE:
            return mixed(operands)
        amount = values[1] & (63 if name.startswith("d") else 31)
    else:
        amount = insn.a + (32 if name.endswith("32") else 0)
    if name in _LEFT_SHIFTS:
        return scaled(origin, 1 << amount)
    if any(factor % (1 << amount) for _, factor in origin.terms):
        return mixed(operands)
    return Origin(tuple((place, factor >> amount) for place, factor in origin.terms), origin.rest)


def _cuts_or_aligns(mask: int) -> bool:
    """Whether a mask is 0..01..1, which cuts a value to size, or 1..10..0, which aligns it."""
    return mask & (mask + 1) == 0 or (mask < 0 and -mask & (-mask - 1) == 0)


def _times(origin: Origin, factor: int) -> Origin:
    return Origin(tuple((place, old * factor) for place, old in origin.terms), origin.rest)


def _union(sets: Iterable[frozenset[Place]]) -> frozenset[Place]:
    """The places of all sets, or only of the biggest where they are too many."""
    places = _NONE
    for one in sets:
        if not one <= places:
            union = places | one
            places = union if len(union) <= _MOST_PLACES else max(places, one, key=len)
    return places
