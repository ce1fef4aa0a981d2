"""What one operand of an integer operation would have to hold for a wanted result, the other one staying as it is."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import isqrt

from harness.states.terms import NOWHERE, Made, Origin
from interp.words import sext32, sext64

_M32, _M64 = 0xFFFF_FFFF, 0xFFFF_FFFF_FFFF_FFFF
_MOST_MASK_DEPTH = 8

#: (what the operand holds, the other operand, wanted result, number of the operand) -> what it might hold
_Rule = Callable[[int, int, int, int], Iterator[int]]


def operand(made: Made, index: int, target: int) -> Iterator[int]:
    """Values (signed) of operand ``index`` for the result ``target``; nothing for what is not known backwards."""
    rule = _RULES.get(made.name)
    if rule is not None:
        other = made.values[1 - index] if len(made.values) > 1 else made.immediate
        yield from rule(made.values[index], other, target, index)


def same_operand(made: Made, target: int) -> Iterator[int]:
    """Values of the operand of an operation that has it on both sides."""
    if made.name in ("add", "addu", "dadd", "daddu") and not target % 2:
        yield target // 2
    elif made.name in ("mult", "multu", "dmult", "dmultu") and target >= 0 and isqrt(target) ** 2 == target:
        yield isqrt(target)
    elif made.name in ("or", "and"):
        yield target


def bits_set(origin: Origin, depth: int = 0) -> int:
    """The low 32 bits that can be other than 0 in a value of ``origin``, as far as that is easily seen."""
    if origin is NOWHERE:
        return 0
    made = origin.made
    if made is None or depth > _MOST_MASK_DEPTH:
        size = origin.alone.size if made is None and origin.alone is not None else 8
        return (1 << 8 * min(size, 4)) - 1
    if made.name in ("or", "xor", "addu", "daddu", "dadd", "add"):
        left, right = (bits_set(one, depth + 1) for one in made.operands)
        return left | right if not left & right else _M32
    inner = bits_set(made.operands[0], depth + 1) if len(made.operands) == 1 else _M32
    if made.name == "sll":
        return inner << made.immediate & _M32
    if made.name == "srl":
        return inner >> made.immediate
    return inner & made.immediate if made.name == "andi" else _M32


def _sum(cut: Callable[[int], int]) -> _Rule:
    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        yield cut(target - other)

    return rule


def _difference(cut: Callable[[int], int]) -> _Rule:
    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        yield cut(other - target if index else target + other)

    return rule


def _and(old: int, other: int, target: int, index: int) -> Iterator[int]:
    if not target & ~other:
        yield old & ~other | target
        yield target
        yield (old | other) + 1 + target  # the next multiple of a power of two, where smaller ones go another way


def _or(old: int, other: int, target: int, index: int) -> Iterator[int]:
    if not other & ~target:
        yield target & ~other | old & other
        yield target


def _xor(old: int, other: int, target: int, index: int) -> Iterator[int]:
    yield target ^ other


def _nor(old: int, other: int, target: int, index: int) -> Iterator[int]:
    yield from _or(old, other, ~target, index)


def _left(bits: int, more: int = 0) -> _Rule:
    cut, mask = (sext32, _M32) if bits == 32 else (sext64, _M64)

    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        if index:
            yield from (amount for amount in range(bits) if cut(other << amount) == target)
            return
        amount = (other + more) % bits
        if not target & (1 << amount) - 1:
            yield cut((target & mask) >> amount | old & mask & ~(mask >> amount))
            yield cut((target & mask) >> amount)

    return rule


def _right(bits: int, arithmetic: bool, more: int = 0) -> _Rule:
    cut, mask = (sext32, _M32) if bits == 32 else (sext64, _M64)

    def shifted(value: int, amount: int) -> int:
        return cut(value) >> amount if arithmetic else cut((value & mask) >> amount)

    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        if index:
            yield from (amount for amount in range(bits) if shifted(other, amount) == target)
            return
        amount = (other + more) % bits
        lost = (1 << amount) - 1
        for low in dict.fromkeys((old & lost, 0, lost)):
            value = cut(target << amount | low)
            if shifted(value, amount) == target:
                yield value

    return rule


def _low_product(bits: int) -> _Rule:
    cut = sext32 if bits == 32 else sext64

    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        if not other:
            return
        if target % other == 0:
            yield cut(target // other)
        twos = (other & -other).bit_length() - 1
        if not target & (1 << twos) - 1:
            modulus = 1 << bits - twos
            yield cut((target >> twos) * pow(other >> twos, -1, modulus) % modulus)

    return rule


def _high_product(bits: int, unsigned: bool) -> _Rule:
    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        factor = other & (1 << bits) - 1 if unsigned else other
        if factor:
            value = -(-(target << bits) // factor)
            limit = 1 << bits
            if -(limit >> 1) <= value < limit:
                yield sext32(value) if bits == 32 else sext64(value)

    return rule


def _quotient(old: int, other: int, target: int, index: int) -> Iterator[int]:
    if index:
        if target:
            yield int(other / target) if abs(other) < 1 << 50 else other // target
        yield other + 1
    elif other:
        yield target * other
        yield target * other + (abs(other) - 1 if target >= 0 else 1 - abs(other))


def _remainder(old: int, other: int, target: int, index: int) -> Iterator[int]:
    if index:
        yield other - target
    elif abs(target) < abs(other):
        yield old - old % abs(other) + target
        yield target


def _cut(old: int, other: int, target: int, index: int) -> Iterator[int]:
    """Bytes of a stored value that were loaded again: ``other`` is size and distance from the end, in bits."""
    size, low = other & 0xFF, other >> 8
    mask = (1 << size) - 1 << low
    value = old & ~mask | target << low & mask
    yield sext32(value) if old == sext32(old) else value


def _half(is_high: bool) -> _Rule:
    """One word of a doubleword that is kept in two registers."""

    def rule(old: int, other: int, target: int, index: int) -> Iterator[int]:
        yield sext64(target << 32 | old & _M32) if is_high else sext64(old & ~_M32 | target & _M32)

    return rule


_RULES: dict[str, _Rule] = {
    **dict.fromkeys(("add", "addu", "addi", "addiu"), _sum(sext32)),
    **dict.fromkeys(("dadd", "daddu", "daddi", "daddiu"), _sum(sext64)),
    **dict.fromkeys(("sub", "subu"), _difference(sext32)),
    **dict.fromkeys(("dsub", "dsubu"), _difference(sext64)),
    **dict.fromkeys(("and", "andi"), _and),
    **dict.fromkeys(("or", "ori"), _or),
    **dict.fromkeys(("xor", "xori"), _xor),
    "nor": _nor,
    **dict.fromkeys(("sll", "sllv"), _left(32)),
    **dict.fromkeys(("dsll", "dsllv"), _left(64)),
    "dsll32": _left(64, 32),
    **dict.fromkeys(("srl", "srlv"), _right(32, arithmetic=False)),
    **dict.fromkeys(("sra", "srav"), _right(32, arithmetic=True)),
    **dict.fromkeys(("dsrl", "dsrlv"), _right(64, arithmetic=False)),
    **dict.fromkeys(("dsra", "dsrav"), _right(64, arithmetic=True)),
    "dsrl32": _right(64, False, 32),
    "dsra32": _right(64, True, 32),
    **dict.fromkeys(("mult", "multu"), _low_product(32)),
    **dict.fromkeys(("dmult", "dmultu"), _low_product(64)),
    "mult hi": _high_product(32, unsigned=False),
    "multu hi": _high_product(32, unsigned=True),
    "dmult hi": _high_product(64, unsigned=False),
    "dmultu hi": _high_product(64, unsigned=True),
    **dict.fromkeys(("div", "divu", "ddiv", "ddivu"), _quotient),
    **dict.fromkeys(("div hi", "divu hi", "ddiv hi", "ddivu hi"), _remainder),
    "cut": _cut,
    "high half": _half(is_high=True),
    "low half": _half(is_high=False),
}
