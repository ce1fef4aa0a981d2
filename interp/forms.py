"""Ops: a meaning, which is a function of operand values, put to work on the slots of a machine.

An op is (function, result slot, operand slot, operand slot), so that all instructions run through the same
``r[d] = op(r[a], r[b])``. Most integer meanings are such functions already. Round the others stands a closure that
takes halves and pairs of floating-point registers together, puts a second result away, and keeps FCR31. Its text is
written out as one would by hand, for every call saved here counts on every instruction.

Without FR a doubleword is a pair of slots, low word and high word. With FR a 32-bit write leaves the upper half of a
register undefined: its slot then has the bit ``STALE`` set beyond the 64 of the value.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

from interp.events import open_
from interp.fcsr import CONDITION, ENABLES, KEPT, RAISED, STEADY, settle
from interp.optable import Kind, Row
from interp.words import M32, M64, zext64

# Slots: the general registers 0..31, then these, then one per constant. SINK takes what register 0 would, OUTCOME what
# a branch decided. The first FPR is even, so that ``| 1`` gives the high word of a pair.
SINK, HI, LO, FCSR, FPR, COP0, OUTCOME, CONSTANTS = 32, 33, 34, 35, 36, 68, 100, 101
STALE = 1 << 64

Op = tuple[Callable[[Any, Any], Any], int, int, int]
Operand = tuple[str, str]  # or result: name and view


class Form(NamedTuple):
    """What the ops of all instructions of a row have in common.

    The meaning gets the operands ``bound`` first, then at most two that it ``takes`` from slots, and ``gives`` at most
    two results. A view "" is the value itself, and of floating-point registers there are "pair", "low" (32 bits of 64),
    "bits" (all 64, stale or not) and "whole" (all 64; stale ones are noted as open). ``make`` makes the closure out of
    meaning, slots, slot numbers and the option ``ieee``; without it the meaning is the op.
    """

    bound: tuple[str, ...]
    takes: tuple[Operand, Operand]
    gives: tuple[Operand, Operand]
    make: Callable[..., Callable[[Any, Any], Any]] | None


_TAKE = {
    "": "{0}",
    "pair": "(r[{0}_high] << 32) + {0}",
    "low": f"{{0}} & {M32}",
    "bits": f"{{0}} & {M64}",
    "whole": f"{{0}} if {{0}} <= {M64} else stale({{0}})",
}
_GIVE = {"": "z", "pair": f"z & {M32}", "low": f"(r[d] & {M64 - M32}) + {STALE} + z", "whole": "z"}
_CALL = "z = call({arguments})"
_BOTH = "z, r[second] = call({arguments})"
_FLAGS = f"""
        fcsr = r[{FCSR}]
        z, flags = call({{arguments}})
        if flags != 1 or fcsr & {STEADY} != {RAISED}:  # not one more inexact result, which changes nothing
            if flags > 1 or fcsr & {ENABLES}:
                z, fcsr = settle(z, flags, fcsr, {{width}}, ieee)
            else:
                fcsr = fcsr & {KEPT} | flags * {RAISED}
            r[{FCSR}] = fcsr"""
_COMPARE = f"{_FLAGS}\n        z = fcsr | {CONDITION} if z else fcsr & ~{CONDITION}"
_CLOSURE = """
def make(call, r, x_slot, y_slot, d, second, ieee):
    x_high, y_high, d_high = x_slot | 1, y_slot | 1, d | 1
    def op(x, y):
        {call}
        {rest}
        return {result}
    return op
"""
_PLAIN = _CLOSURE.format(call="z = call(x, y)", rest="", result="z")


def _stale(value: int) -> int:
    open_("upper-fpr-half", True)
    return zext64(value)


@cache
def form_of(row: Row, fr: bool) -> Form:
    """The form of a row's ops in one view of the floating-point registers."""
    names = [name for name in row.operands if name != "rm"]
    first = next((n for n, name in enumerate(names) if name in row.reads), len(names))
    takes = [(name, _view(row, name, row.fp_in, fr)) for name in names[first:]]
    gives = [(name, _view(row, name, row.fp_out, fr)) for name in row.results]
    if row.kind.has_slot:
        gives = [("outcome", "")]
    text = _text(row, [view for _, view in takes], gives[0][1] if gives else "")
    a, b, *_ = *takes, ("nothing", ""), ("nothing", "")
    d, second, *_ = *gives, ("nowhere", ""), ("nowhere", "")
    return Form(tuple(names[:first]), (a, b), (d, second), None if text == _PLAIN else _made(text))


def _text(row: Row, takes: list[str], gives: str) -> str:
    """The text of the closure round a meaning, by the views of its operands and its first result."""
    call, arguments = _CALL, [_TAKE[view].format(value) for view, value in zip(takes, "xy", strict=False)]
    if row.kind is Kind.FLOAT and "fcsr" in row.results:
        call = _FLAGS if row.fp_out else _COMPARE
        arguments += ["fcsr & 3"] * ("rm" in row.operands)
    elif len(row.results) == 2:
        call = _BOTH
    call = call.format(arguments=", ".join(arguments), width=row.fp_out)
    return _CLOSURE.format(call=call, rest="r[d_high] = z >> 32" if gives == "pair" else "", result=_GIVE[gives])


def _made(text: str) -> Callable[..., Callable[[Any, Any], Any]]:
    scope: dict[str, Any] = {"settle": settle, "stale": _stale}
    exec(text, scope)
    make: Callable[..., Callable[[Any, Any], Any]] = scope["make"]
    return make


def _view(row: Row, name: str, bits: int, fr: bool) -> str:
    if name not in ("fs", "ft", "fd"):
        return ""
    if not fr:
        return "pair" if bits == 64 else ""
    if bits == 32:
        return "low"
    return "bits" if row.kind is Kind.STORE else "whole"
