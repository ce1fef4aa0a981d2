"""Ops: a meaning, which is a function of operand values, put to work on the slots of a machine.

An op is (function, result slot, operand slot, operand slot), so that all instructions run through the same
``r[d] = op(r[a], r[b])``. Most integer meanings are such functions already. Round the others stands a closure that
finds floating-point registers, puts a second result away, and keeps FCR31. Its text is written out for each row as one
would by hand: a test or a call less is a tenth of an instruction.

A floating-point register is kept as it was written last, as a doubleword or as two words; the slots of the other view
are None until they are asked for. Without FR the upper word of an even register is the odd one. With FR a register that
is no doubleword is one whose last write had 32 bits, so that its upper half is undefined.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

from interp.events import open_
from interp.fcsr import CONDITION, ENABLES, KEPT, RAISED, STEADY, settle
from interp.optable import Kind, Row
from interp.words import M32

# Slots: the general registers 0..31, then these, then one per constant. SINK takes what register 0 would, OUTCOME what
# a branch decided. WORD, HIGH and DOUBLE are even, so that the parity of a slot is that of its register.
SINK, HI, LO, FCSR = range(32, 36)
WORD, HIGH, DOUBLE, COP0, OUTCOME = range(36, 165, 32)
CONSTANTS = OUTCOME + 1
FILES = {"gpr": 0, "hi": HI, "lo": LO, "fcsr": FCSR, "fpr": WORD, "cop0": COP0}  #: slots of the registers 0

FLOATS = ("fs", "ft", "fd")  #: operands and results that are floating-point registers
#: The operand or result that is not there, and the result of a branch: their slots as ``REGISTERS`` has fields.
NOWHERE = {"nothing": (SINK, 32, 0), "decision": (OUTCOME, 32, 0)}

Function = Callable[..., Any]
Op = tuple[Function, int, int, int]


class Floats:
    """The floating-point registers among the slots ``r``."""

    def __init__(self, r: list[Any], fr: bool) -> None:
        self.r = r
        self.fr = fr
        self.views: dict[int, tuple[int, int, int]] = {}  #: slot -> of its register: doubleword, low and high word
        for n in range(32):
            pair = n if fr else n & ~1
            views = DOUBLE + pair, WORD + pair, HIGH + n if fr else WORD + pair + 1
            self.views[WORD + n] = self.views[DOUBLE + pair] = views

    def other(self, slot: int) -> int:
        """A slot that is not None where a register is in another view than that of ``slot``."""
        double, low, _ = self.views.get(slot, (slot, slot, slot))
        return low if slot == double else double

    def saved(self, slot: int) -> Any:
        """The value of a slot that is None, which is kept there unless a half of it is undefined."""
        r, (double, low, high) = self.r, self.views[slot]
        if slot == double:
            whole = r[high] << 32 | r[low]
            r[double] = None if self.fr else whole
            return whole
        r[low], r[high] = r[double] & M32, r[double] >> 32
        return r[slot]

    def used(self, slot: int) -> Any:
        """The same for a computation: an undefined half is noted as open."""
        open_("upper-fpr-half", self.fr and slot >= DOUBLE)
        return self.saved(slot)

    def claim(self, slot: int) -> None:
        """Takes a register out of the other view, for ``slot`` is about to be written."""
        r, (double, low, high) = self.r, self.views[slot]
        if slot == double:
            r[low] = r[high] = None
        else:
            r[low], r[high], r[double] = r[double] & M32, r[double] >> 32, None


class Form(NamedTuple):
    """What the ops of all instructions of a row have in common.

    The meaning gets the operands ``bound`` first, then at most two that it ``takes`` from slots, and ``gives`` at most
    two results. ``make`` makes the closure round it; without it the meaning is the op.
    """

    bound: tuple[str, ...]
    takes: tuple[str, str]
    gives: tuple[str, str]
    make: Function | None


_FLAGS = f"""fcsr = r[{FCSR}]
        z, flags = call({{arguments}})
        if flags != 1 or fcsr & {STEADY} != {RAISED}:  # not one more inexact result, which changes nothing
            if flags > 1 or fcsr & {ENABLES}:
                z, fcsr = settle(z, flags, fcsr, {{width}}, ieee)
            else:
                fcsr = fcsr & {KEPT} | flags * {RAISED}
            r[{FCSR}] = fcsr"""
_COMPARE = f"{_FLAGS}\n        z = fcsr | {CONDITION} if z else fcsr & ~{CONDITION}"
_CLOSURE = """
def make(call, floats, d, a, b, second, ieee):
    r, saved, used, claim, other = floats.r, floats.saved, floats.used, floats.claim, floats.other(d)
    def op(x, y):
        {call}
        {claim}
        return z
    return op
"""
_PLAIN = _CLOSURE.format(call="z = call(x, y)", claim="")
_CLAIM = "if r[other] is not None: claim(d)"


@cache
def form_of(row: Row) -> Form:
    """The form of a row's ops."""
    names = [name for name in row.operands if name != "rm"]
    first = next((n for n, name in enumerate(names) if name in row.reads), 0)
    fetch = "saved" if row.kind is Kind.STORE else "used"
    arguments = [
        f"{fetch}({slot}) if {value} is None else {value}" if name in FLOATS else value
        for name, value, slot in zip(names[first:], "xy", "ab", strict=False)
    ]
    arguments += ["fcsr & 3"] * ("rm" in row.operands)
    call = "z = call({arguments})" if len(row.results) < 2 else "z, r[second] = call({arguments})"
    if row.kind is Kind.FLOAT and "fcsr" in row.results:
        call = _FLAGS if row.fp_out else _COMPARE
    text = _CLOSURE.format(
        call=call.format(arguments=", ".join(arguments), width=row.fp_out), claim=_CLAIM if row.fp_out else ""
    )
    scope: dict[str, Any] = {"settle": settle}
    exec(text, scope)
    a, b, *_ = *names[first:], "nothing", "nothing"
    d, second, *_ = *(("decision",) if row.kind.has_slot else row.results), "nothing", "nothing"
    return Form(tuple(names[:first]), (a, b), (d, second), None if text == _PLAIN else scope["make"])
