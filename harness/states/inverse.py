"""Backwards through the operations that made a value: what input words would have to hold for it to be another one.

Each step takes one operand and asks what it would have to hold, the others staying as they are, for the result to be
the wanted one; operands that supply different bits are changed together. What comes out are proposals: a run says
whether they were right, so no step needs to be exact.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import NamedTuple

from harness.states import inverse_float, inverse_integer
from harness.states.inverse_integer import bits_set
from harness.states.model import Place
from harness.states.terms import NOWHERE, Made, Origin, added
from interp.words import sext32, sext64

#: Unsigned values that some places should hold at the same time.
Wanted = tuple[tuple[Place, int], ...]
#: Gives the bytes of the image round an address, and the address of the first: tables are searched there.
Table = Callable[[int], tuple[int, bytes]]

_MOST_DEPTH = 80
#: Steps that one condition may cost: hashes are long, and lead nowhere.
_MOST_STEPS = 400
_MOST_TOGETHER = 2
_MOST_ENTRIES = 4

#: Branch or trap -> whether it is taken where the sides are not equal.
_EQUALITIES = {"beq": False, "bne": True, "teq": False, "teqi": False, "tne": True, "tnei": True}
#: Trap -> whether it is taken where the left side is not less than the right one, and whether both are unsigned.
_ORDERS = {
    name + form: (inverted, bool(unsigned))
    for name, inverted in (("tlt", False), ("tge", True))
    for form, unsigned in (("", 0), ("i", 0), ("u", 1), ("iu", 1))
}
#: Branch -> whether the register is the left side and zero the right one, and whether it is taken where not less.
_SIGNS = {"bltz": (True, False), "bgez": (True, True), "bgtz": (False, False), "blez": (False, True)}
_JOINT = frozenset(("or", "xor", "addu", "add", "daddu", "dadd"))
_LESS = frozenset(("slt", "slti", "sltu", "sltiu"))
_LOADS = {"lb": (1, True), "lbu": (1, False), "lh": (2, True), "lhu": (2, False), "lw": (4, True), "lwu": (4, False)}


class Condition(NamedTuple):
    """One execution of what can go several ways: where, which way it went, and its operands (``made.name`` is the row).

    ``taken`` is 0 or 1 of a branch or a trap, the target of a jump through a register.
    """

    address: int
    taken: int
    made: Made

    @property
    def way(self) -> tuple[int, int]:
        """Where and which way it went."""
        return self.address, int(self.taken)


class Inverse:
    """Proposals for the run whose places held ``values`` (signed, as a register shows them)."""

    def __init__(self, values: Mapping[Place, int], table: Table) -> None:
        self._values = values
        self._table = table
        self._steps = 0

    def flips(self, condition: Condition, way: int) -> Iterator[Wanted]:
        """Words with which the branch or jump would go ``way``, none twice."""
        self._steps = 0
        if condition.made.name in ("jr", "jalr"):
            yield from self._solve(condition.made.operands[0], sext64(way), 0)
            return
        seen: set[Wanted] = set()
        for wanted in self._flips(condition.made, bool(way)):
            if wanted not in seen:
                seen.add(wanted)
                yield wanted

    def _flips(self, made: Made, taken: bool) -> Iterator[Wanted]:
        name = made.name.rstrip("l").removesuffix("a")  # likely ones, and those that link
        if name in _EQUALITIES:
            yield from self._equal(_two(made), taken is not _EQUALITIES[name])
        elif name in _SIGNS:
            is_left, inverted = _SIGNS[name]
            sides = _two(made) if is_left else _two(made, swapped=True)
            yield from self._less(sides, taken is not inverted, unsigned=False)
        elif name in _ORDERS:
            inverted, unsigned = _ORDERS[name]
            yield from self._less(_two(made), taken is not inverted, unsigned)
        elif name.startswith("bc1"):
            yield from self._solve(made.operands[0], int(taken is name.startswith("bc1t")), 0)

    # -- relations ---------------------------------------------------------------------------------------------------

    def _equal(self, made: Made, holds: bool) -> Iterator[Wanted]:
        yield from self._distances(made, (0,) if holds else (1, -1))
        for index, other in ((0, made.values[1]), (1, made.values[0])):
            for target in (other,) if holds else _unequal(made.operands[index], other):
                yield from self._solve(made.operands[index], target, 0)

    def _less(self, made: Made, holds: bool, unsigned: bool) -> Iterator[Wanted]:
        """Left less than right, or not: at the border first, then far from it."""
        left, right = made.values
        yield from self._distances(made, (-1, -2) if holds else (0, 1))
        for step in (1, 2, 16) if holds else (0, -1, -16):
            yield from self._solve(made.operands[0], sext64(right - step), 0)
            yield from self._solve(made.operands[1], sext64(left + step), 0)
        least, most = (0, -1) if unsigned else (-(1 << 31), (1 << 31) - 1)
        yield from self._solve(made.operands[0], least if holds else most, 0)
        yield from self._solve(made.operands[1], most if holds else least, 0)

    def _distances(self, made: Made, distances: Iterable[int]) -> Iterator[Wanted]:
        """Changes of one place that has a part in both sides, where their difference is a sum of places."""
        if NOWHERE in made.operands:
            return
        difference = added(made.operands[0], made.operands[1], sign=-1)
        now = made.values[0] - made.values[1]
        for place, factor in difference.terms:
            for distance in distances:
                if place in self._values and (distance - now) % factor == 0:
                    yield from _held(place, self._values[place] + (distance - now) // factor)

    # -- values ------------------------------------------------------------------------------------------------------

    def _solve(self, origin: Origin, target: int, depth: int) -> Iterator[Wanted]:
        """Words with which a value of ``origin`` would be ``target``, signed as a register shows it."""
        self._steps += 1
        if origin is NOWHERE or depth > _MOST_DEPTH or self._steps > _MOST_STEPS:
            return
        made = origin.made
        if made is None:
            if origin.alone is not None:
                yield from _held(origin.alone, target)
        elif made.name in _LESS:
            if target in (0, 1):
                yield from self._less(_two(made), bool(target), unsigned=made.name in ("sltu", "sltiu"))
        elif made.name in _LOADS:
            for address in self._entries(made, target):
                yield from self._solve(made.operands[0], address, depth + 1)
        elif made.name == "pair":
            yield from self._together(made.operands, (sext32(target >> 32), sext32(target)), depth)
        else:
            yield from self._undo(made, target, depth)

    def _undo(self, made: Made, target: int, depth: int) -> Iterator[Wanted]:
        if made.name in _JOINT and NOWHERE not in made.operands:
            masks = [bits_set(operand) for operand in made.operands]
            if not masks[0] & masks[1] and not target & ~(masks[0] | masks[1]) & 0xFFFF_FFFF:
                parts = tuple(sext32(target & mask) for mask in masks)
                yield from self._together(made.operands, parts, depth)
        same = len(made.operands) == 2 and made.operands[0] is made.operands[1]
        if same and made.operands[0] is not NOWHERE:  # twice a word, or its square
            doubled = inverse_float.same_operand if "." in made.name else inverse_integer.same_operand
            for value in doubled(made, target):
                yield from self._solve(made.operands[0], value, depth + 1)
            return
        invert = inverse_float.operand if "." in made.name else inverse_integer.operand
        for index in range(len(made.operands) - 1, -1, -1):  # what was added last is often a word by itself
            if made.operands[index] is not NOWHERE:
                for value in invert(made, index, target):
                    yield from self._solve(made.operands[index], value, depth + 1)

    def _together(self, origins: tuple[Origin, ...], targets: tuple[int, ...], depth: int) -> Iterator[Wanted]:
        """Two operands at once; one that comes from no input stays as it is."""
        first, second = origins
        if first is NOWHERE or second is NOWHERE:
            index = 0 if second is NOWHERE else 1
            yield from self._solve(origins[index], targets[index], depth + 1)
            return
        for count, one in enumerate(self._solve(first, targets[0], depth + 1), 1):
            for number, other in enumerate(self._solve(second, targets[1], depth + 1), 1):
                yield (*one, *other)
                if number >= _MOST_TOGETHER:
                    break
            if count >= _MOST_TOGETHER:
                break

    def _entries(self, made: Made, target: int) -> Iterator[int]:
        """Addresses near the one of a load from a table of the image at which the wanted value lies."""
        size, signed = _LOADS[made.name]
        address = made.values[0] + made.immediate
        start, data = self._table(address)
        first = (address - start) % size
        distances = range(first, len(data) - size + 1, size)
        found = 0
        for offset in sorted(distances, key=lambda offset: abs(start + offset - address)):
            if int.from_bytes(data[offset : offset + size], "big", signed=signed) == target:
                yield sext64(start + offset - made.immediate)
                found += 1
                if found == _MOST_ENTRIES:
                    return


def _two(made: Made, swapped: bool = False) -> Made:
    """A relation with both of its sides; the second one may be the immediate, or zero."""
    if len(made.operands) == 1:
        made = made._replace(operands=(*made.operands, NOWHERE), values=(*made.values, made.immediate))
    if swapped:
        return made._replace(operands=made.operands[::-1], values=made.values[::-1])
    return made


def _unequal(origin: Origin, other: int) -> tuple[int, ...]:
    """Values unlike ``other``; of a condition its opposite, of a mask those with another one of its bits, or all."""
    if origin.made is not None and origin.made.name in _LESS:
        return (1 - other,)
    if origin.made is not None and origin.made.name == "andi":
        mask = bits_set(origin)
        return (other ^ mask & -mask, other ^ 1 << mask.bit_length() >> 1, other ^ mask)
    return (other + 1, other - 1, other ^ 0x10, 0, -1)


def _held(place: Place, value: int) -> Iterator[Wanted]:
    """The place with ``value``, if its bits can be those of it, signed or not."""
    bits = 8 * place.size
    if -(1 << bits - 1) <= value < 1 << bits:
        yield ((place, value & (1 << bits) - 1),)


def table_targets(condition: Condition, table: Table, start: int, end: int) -> list[int]:
    """The other entries of the table of addresses in [``start``, ``end``) that a jump took its target from."""
    made = condition.made.operands[0].made
    if condition.made.name != "jr" or made is None or made.name != "lw":
        return []
    address = made.values[0] + made.immediate
    base, data = table(address)
    targets: dict[int, None] = {}
    for step in (4, -4):
        offset = address - base
        while 0 <= offset <= len(data) - 4:
            target = sext32(int.from_bytes(data[offset : offset + 4], "big")) % (1 << 64)
            if not start <= target < end:
                break
            targets[target] = None
            offset += step
    return list(targets)
