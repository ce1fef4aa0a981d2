"""Small changes of one instruction in the reference, to see which of them does what the C does.

None of them knows a translator: another instruction of the same form, a result or an operand cut, extended, turned
round or one off, a constant taken otherwise, a decision inverted, a delay slot that runs when it should not.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from typing import Any

from harness.engines import registers
from interp.forms import CONSTANTS, FCSR, OUTCOME, SINK, Op
from interp.machine import Machine
from interp.optable import ROWS, Insn, Kind, Row, decode
from interp.words import M64, sext, sext32, sext64, zext32, zext64

#: Families of instructions that are mistaken for each other, by what their syntax and kind say.
_Family = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: ``like`` says in words what the instruction then does; ``ops`` takes its place.

    ``slot`` takes the place of the delay slot's ops, where it is given; ``swapped`` runs the slot first.
    """

    like: str
    ops: tuple[Op, ...]
    slot: tuple[Op, ...] | None = None
    swapped: bool = False


def mutants(machine: Machine, address: int, insn: Insn) -> Iterator[Mutant]:
    """The changes of the instruction at a signed address."""
    ops = machine.assembler.prepared(address).ops
    if insn.row.kind is Kind.FLOAT:
        yield from _roundings(ops)
    yield from _siblings(machine, insn)
    yield from _results(machine, insn, ops)
    yield from _operands(machine, insn, ops)
    yield from _constants(machine, insn, ops)
    if insn.row.kind.has_slot:
        yield from _flows(machine, address, insn, ops)


# --- other instructions ------------------------------------------------------------------------------------------


def _family(row: Row) -> _Family:
    kind = "branch" if row.kind in (Kind.BRANCH, Kind.LIKELY) else str(row.kind)
    return kind, row.syntax, row.pattern.replace("0", "").replace("1", "")


_FAMILIES: dict[_Family, list[Row]] = {}
for _row in ROWS:
    _FAMILIES.setdefault(_family(_row), []).append(_row)


def _siblings(machine: Machine, insn: Insn) -> Iterator[Mutant]:
    fields = insn.word & ~insn.row.mask & 0xFFFF_FFFF
    others = [row for row in _FAMILIES[_family(insn.row)] if row is not insn.row]
    others.sort(key=lambda row: -SequenceMatcher(None, row.name, insn.row.name).ratio())
    words = [(row.name, row.match | fields) for row in others]
    if {"s", "t"} <= set(insn.row.reads) and insn.s != insn.t:
        swapped = insn.word & ~(0x3FF << 16) | insn.t << 21 | insn.s << 16
        words.append(("its operands the other way round", swapped))
    if insn.row.kind is Kind.FLOAT and {"fs", "ft"} <= set(insn.row.reads):
        swapped = insn.word & ~(0x3FF << 11) | insn.d << 16 | insn.t << 11
        words.append(("its operands the other way round", swapped))
    for like, word in words:
        if decode(word) is None:
            continue
        text = like if " " in like else f"like {like}"
        yield Mutant(text, machine.assembler.prepare(word).ops)


# --- results and operands ----------------------------------------------------------------------------------------


def _turned(size: int) -> Callable[[int], int]:
    def turn(value: int) -> int:
        low = zext64(value) & (1 << 8 * size) - 1
        return int.from_bytes(low.to_bytes(size, "big"), "little")

    return turn


_CUTS: tuple[tuple[str, Callable[[int], int]], ...] = (
    ("its low word, zero-extended", zext32),
    ("its low word, sign-extended", sext32),
    ("its low halfword, zero-extended", lambda x: x & 0xFFFF),
    ("its low halfword, sign-extended", lambda x: sext(x, 16)),
    ("its low byte, zero-extended", lambda x: x & 0xFF),
    ("its low byte, sign-extended", lambda x: sext(x, 8)),
)
_CHANGES: tuple[tuple[str, Callable[[int], int]], ...] = (
    *_CUTS,
    ("one more", lambda x: sext64(x + 1)),
    ("one less", lambda x: sext64(x - 1)),
    ("its sign the other way", lambda x: sext64(-x)),
    ("all bits the other way", lambda x: ~x),
    ("0 for 1 and 1 for 0", lambda x: x ^ 1),
    ("the bytes of its halfword mirrored", lambda x: sext(_turned(2)(x), 16)),
    ("the bytes of its word mirrored", lambda x: sext32(_turned(4)(x))),
    ("all its bytes mirrored", lambda x: sext64(_turned(8)(x))),
    ("its words swapped", lambda x: sext64((x & 0xFFFF_FFFF) << 32 | zext64(x) >> 32)),
)


_OPERANDS: tuple[tuple[str, Callable[[int], int]], ...] = (
    *_CUTS[:2],
    ("its low 5 bits", lambda x: x & 31),
    ("its low 6 bits", lambda x: x & 63),
    ("its sign the other way", lambda x: sext64(-x)),
)


def _results(machine: Machine, insn: Insn, ops: tuple[Op, ...]) -> Iterator[Mutant]:
    """The result changed, or not written."""
    if insn.row.kind is Kind.STORE:
        place = ops[-1][3]

        def held(x: Any) -> Any:
            return machine.assembler.floats.saved(place) if x is None else x

        for like, change in _CHANGES:

            def changed(x: Any, _: Any, change: Callable[[int], int] = change) -> int:
                return change(held(x))

            yield Mutant(f"stores {like}", _with_operand(machine, ops, place, changed))
        return
    names = [name for name in insn.row.results if name not in ("ra",)]
    if insn.row.kind.has_slot or not names:
        return
    if insn.row.kind is Kind.FLOAT or names[0] in ("fd", "fs", "ft"):
        yield from _float_results(machine, insn, ops, names)
        return
    for name in names:
        place = registers.place(machine, insn.loc(name))
        if place == 0:
            continue
        of = f" in {name}" if len(names) > 1 else ""
        for like, change in _CHANGES:
            yield Mutant(f"{like}{of}", (*ops, (_op(change), place, place, 0)))
        old = _scratch(machine)
        yield Mutant(f"writes nothing{of}", ((_take, old, place, 0), *ops, (_take, place, old, 0)))
    if names == ["lo", "hi"] or names == ["hi", "lo"]:
        hi, lo, old = registers.place(machine, ("hi", 0)), registers.place(machine, ("lo", 0)), _scratch(machine)
        yield Mutant("HI and LO swapped", (*ops, (_take, old, hi, 0), (_take, hi, lo, 0), (_take, lo, old, 0)))


def _float_results(machine: Machine, insn: Insn, ops: tuple[Op, ...], names: Sequence[str]) -> Iterator[Mutant]:
    """The bits of a floating-point result changed."""
    if names[0] == "fcsr":
        yield Mutant("its condition the other way", (*ops, (_op(lambda x: x ^ 1 << 23), FCSR, FCSR, 0)))
        return
    number, wide = insn.loc(names[0])[1], insn.row.fp_out == 64
    place = ops[-1][1]  # of the word, or of the doubleword whatever FR is
    sign = 1 << insn.row.fp_out - 1
    yield Mutant("its sign the other way", (*ops, (_op(lambda x: x ^ sign), place, place, 0)))
    yield Mutant("without a sign", (*ops, (_op(lambda x: x & ~sign), place, place, 0)))
    yield Mutant("one unit in the last place more", (*ops, (_op(lambda x: x + 1), place, place, 0)))
    yield Mutant("one unit in the last place less", (*ops, (_op(lambda x: x - 1), place, place, 0)))
    pair = (("fpr", number & ~1), ("fpr", number | 1)) if wide and not machine.fr else (("fpr", number),)
    old: list[int] = []

    def keep(_x: Any, _y: Any) -> None:
        old[:] = (registers.get(machine, loc) for loc in pair)

    def back(_x: Any, _y: Any) -> None:
        for loc, value in zip(pair, old, strict=True):
            registers.put(machine, loc, value)

    if wide:
        turned = _op(lambda x: (x & 0xFFFF_FFFF) << 32 | x >> 32)
        yield Mutant("its words swapped", (*ops, (turned, place, place, 0)))
        yield Mutant("its low word 0", (*ops, (_op(lambda x: x >> 32 << 32), place, place, 0)))
        yield Mutant("rounded to single", (*ops, (_op(_single), place, place, 0)))
        yield Mutant("writes nothing", ((keep, SINK, 0, 0), *ops, (back, SINK, 0, 0)))
    else:

        def move(word: int, _: Any) -> None:
            registers.put(machine, ("fpr", number ^ 1), word)

        moved: tuple[Op, ...] = ((move, SINK, place, 0), (back, SINK, 0, 0))
        yield Mutant("in the other register of the pair", ((keep, SINK, 0, 0), *ops, *moved))


def _single(bits: int) -> int:
    """The bits of a double that went through single precision."""
    (double,) = struct.unpack(">d", (bits & M64).to_bytes(8, "big"))
    try:
        (single,) = struct.unpack(">f", struct.pack(">f", double))
    except OverflowError:
        single = math.copysign(math.inf, double)
    return int.from_bytes(struct.pack(">d", single), "big")


def _operands(machine: Machine, insn: Insn, ops: tuple[Op, ...]) -> Iterator[Mutant]:
    """An operand changed for this instruction alone."""
    for name in dict.fromkeys(insn.row.reads):
        loc = insn.loc(name)
        if loc[0] not in ("gpr", "hi", "lo") or loc == ("gpr", 0):
            continue
        place = registers.place(machine, loc)
        for like, change in _OPERANDS:
            yield Mutant(f"of operand {name} {like}", _with_operand(machine, ops, place, _op(change)))
    if insn.row.access:
        for like, distance in (("1", 1), ("2", 2), ("3", 3), ("4", 4)):
            for sign in (1, -1):
                step = sign * distance

                def moved(x: int, _: Any, step: int = step) -> int:
                    return sext64(x + step)

                text = f"{like} byte{'s' if distance > 1 else ''} {'behind' if sign > 0 else 'before'} its address"
                yield Mutant(text, _with_operand(machine, ops, registers.place(machine, insn.loc("s")), moved))


def _with_operand(
    machine: Machine, ops: tuple[Op, ...], place: int, change: Callable[[Any, Any], Any]
) -> tuple[Op, ...]:
    """The ops with the operand in a slot changed before them and put back behind, unless they write it."""
    old = _scratch(machine)
    back: tuple[Op, ...] = () if any(d == place for _, d, _, _ in ops) else ((_take, place, old, 0),)
    return ((_take, old, place, 0), (change, place, place, 0), *ops, *back)


def _constants(machine: Machine, insn: Insn, ops: tuple[Op, ...]) -> Iterator[Mutant]:
    """A constant of the instruction taken otherwise."""
    kinds = set(insn.row.operands) & {"i", "u", "a", "a32"}
    if not kinds or insn.row.access:
        return
    value = {"i": insn.imm, "u": insn.uimm, "a": insn.a, "a32": insn.a + 32}[kinds.pop()]
    others = {
        "sign-extended": insn.imm if "i" in insn.row.pattern else value,
        "zero-extended": insn.uimm if "i" in insn.row.pattern else value,
        "one more": value + 1,
        "one less": value - 1,
        "its sign the other way": -value,
        "32 more": value + 32,
        "its low 5 bits": value & 31,
        "its low byte": value & 0xFF,
    }
    for like, other in others.items():
        if other == value or (("a" in insn.row.operands or "a32" in insn.row.operands) and not 0 <= other < 64):
            continue
        place = _scratch(machine)
        machine.slots[place] = other

        def moved(one: int, place: int = place) -> int:
            return place if one >= CONSTANTS and machine.slots[one] == value else one

        changed = tuple((op, d, moved(a), moved(b)) for op, d, a, b in ops)
        if changed != ops:
            yield Mutant(f"its constant {like}", changed)


def _roundings(ops: tuple[Op, ...]) -> Iterator[Mutant]:
    """Another rounding mode for this instruction alone."""
    for mode, like in enumerate(("to nearest", "to zero", "up", "down")):

        def chosen(fcsr: int, _: Any, mode: int = mode) -> int:
            return fcsr & ~3 | mode

        kept: list[int] = []

        def keep(fcsr: int, _: Any, kept: list[int] = kept) -> int:
            kept[:] = [fcsr & 3]
            return fcsr

        def back(fcsr: int, _: Any, kept: list[int] = kept) -> int:
            return fcsr & ~3 | kept[0]

        yield Mutant(f"rounds {like}", ((keep, FCSR, FCSR, 0), (chosen, FCSR, FCSR, 0), *ops, (back, FCSR, FCSR, 0)))


# --- control flow ------------------------------------------------------------------------------------------------


def _flows(machine: Machine, address: int, insn: Insn, ops: tuple[Op, ...]) -> Iterator[Mutant]:
    """A decision or its delay slot changed."""
    r = machine.slots
    following = machine.assembler.prepared(address + 4).ops
    if insn.row.kind in (Kind.BRANCH, Kind.LIKELY):
        yield Mutant("decides the other way", (*ops, (lambda x, _: not x, OUTCOME, OUTCOME, 0)))
        yield Mutant("is never taken", (*ops, (lambda _x, _y: False, OUTCOME, OUTCOME, 0)))
        yield Mutant("is always taken", (*ops, (lambda _x, _y: True, OUTCOME, OUTCOME, 0)))
    if insn.row.kind is Kind.LIKELY:

        def always(outcome: Any, _: Any) -> Any:
            if not outcome:
                for op, d, a, b in following:
                    r[d] = op(r[a], r[b])
            return outcome

        yield Mutant("runs the delay slot that it should skip", (*ops, (always, OUTCOME, OUTCOME, 0)))
        return
    if insn.row.kind is Kind.BRANCH:
        guarded = tuple(_guarded(r, one) for one in following)
        yield Mutant("skips its delay slot where it is not taken", ops, guarded)
    yield Mutant("decides after its delay slot", ops, swapped=True)


def _guarded(r: list[Any], one: Op) -> Op:
    """An op that is left out where the branch before it is not taken."""
    op, d, a, b = one
    return (lambda x, y: op(x, y) if r[OUTCOME] else r[d]), d, a, b


# --- helpers -----------------------------------------------------------------------------------------------------


def _op(change: Callable[[int], int]) -> Callable[[Any, Any], Any]:
    return lambda x, _: change(x)


def _take(x: Any, _: Any) -> Any:
    return x


def _scratch(machine: Machine) -> int:
    """A slot of nobody."""
    machine.slots.append(0)
    return len(machine.slots) - 1
