"""Ops: a meaning, which is a function of operand values, put to work on the slots of a machine.

An op is (function, result slot, operand slot, operand slot), so that all instructions run through the same
``r[d] = op(r[a], r[b])``. Most integer meanings are such functions already. Round the others stands a closure that
takes halves and pairs of floating-point registers together, puts a second result away, and keeps FCR31. Closures of one
*form* are made from one text, written out as one would by hand: every call saved here counts on every instruction.

Without FR a doubleword is a pair of slots, low word and high word. With FR a 32-bit write leaves the upper half of a
register undefined: its slot then has the bit ``STALE`` set beyond the 64 of the value.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

from interp.events import open_
from interp.fcsr import CONDITION, ENABLES, KEPT, RAISED, settle
from interp.words import M32, M64, zext64

# Slots: the general registers 0..31, then these, then one per constant. SINK takes what register 0 would.
SINK, HI, LO, FCSR, OUTCOME, FPR, COP0, CONSTANTS = 32, 33, 34, 35, 36, 37, 69, 101
STALE = 1 << 64

Op = tuple[Callable[[Any, Any], Any], int, int, int]


class Form(NamedTuple):
    """How the operands of a meaning lie in slots, and its results.

    ``takes`` and ``gives`` name a view of each register: "" is the value itself, and of floating-point registers
    "pair", "low" (32 bits of 64), "bits" (all 64, stale or not) and "whole" (all 64; stale ones are noted as open).
    ``status`` says what besides the result there is to put: "" nothing, "second" a second register, "flags" and
    "condition" the flags of arithmetic and compares. ``rounds``: the last operand is the rounding mode.
    """

    takes: tuple[str, ...]
    gives: str = ""
    status: str = ""
    rounds: bool = False


_TAKE = {
    "": "{0}",
    "pair": "(r[{0}_high] << 32) + {0}",
    "low": f"{{0}} & {M32}",
    "bits": f"{{0}} & {M64}",
    "whole": f"{{0}} if {{0}} <= {M64} else stale({{0}})",
}
_GIVE = {"": "z", "pair": f"z & {M32}", "low": f"r[d] & {M64 - M32} | {STALE} | z", "whole": "z"}
_FLAGS = f"""
        fcsr = r[{FCSR}]
        z, flags = call({{arguments}})
        if flags > 1 or fcsr & {ENABLES}:
            z, fcsr = settle(z, flags, fcsr, width)
        else:
            fcsr = fcsr & {KEPT} | flags * {RAISED}"""
_STATUS = {
    "": "z = call({arguments})",
    "second": "z, r[second] = call({arguments})",
    "flags": f"{_FLAGS}\n        r[{FCSR}] = fcsr",
    "condition": f"{_FLAGS}\n        z = fcsr | {CONDITION} if z else fcsr & ~{CONDITION}",
}
_CLOSURE = """
def make(call, r, x_high, y_high, d, second, width):
    def op(x, y):
        {status}
        {rest}
        return {result}
    return op
"""


def _stale(value: int) -> int:
    open_("upper-fpr-half", True)
    return zext64(value)


@cache
def closure(form: Form) -> Callable[..., Callable[[Any, Any], Any]]:
    """Makes ops of a form: (meaning, slots, slot of each operand's high word, of the result, of the second one, width).

    ``second`` is also the slot of a result's high word, ``width`` that of a floating-point result in bits.
    """
    arguments = [_TAKE[view].format(name) for view, name in zip(form.takes, "xy", strict=False)]
    text = _CLOSURE.format(
        status=_STATUS[form.status].format(arguments=", ".join(arguments + ["fcsr & 3"] * form.rounds)),
        rest="r[second] = z >> 32" if form.gives == "pair" else "",
        result=_GIVE[form.gives],
    )
    names: dict[str, Any] = {"settle": settle, "stale": _stale}
    exec(text, names)
    made: Callable[..., Callable[[Any, Any], Any]] = names["make"]
    return made
