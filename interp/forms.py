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
from typing import Any

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
        elif r[double] is not None:
            r[low], r[high], r[double] = r[double] & M32, r[double] >> 32, None


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
    r, saved, used, claim, other = floats.r, floats.saved, floats.used, floats.claim, {other}
    def op(x, y):
        {call}
        {claim}
        return z
    return op
"""
_PLAIN = _CLOSURE.format(call="z = call(x, y)", claim="", other="d")
_CLAIM = "if r[other] is not None: claim(d)"
_OTHER = {0: "d", 32: "floats.views[d][0]", 64: "floats.views[d][1]"}  # by width: a slot that only the other view has


@cache
def closure_of(row: Row) -> Function | None:
    """What makes the op of an instruction of the row from its meaning; None where the meaning is the op.

    Where a row reads floating-point registers, any operand that is None is one in another view.
    """
    fetch = "saved" if row.kind is Kind.STORE else "used"
    arguments = [
        "fcsr & 3" if name == "rm" else f"{fetch}({slot}) if {value} is None else {value}" if row.fp_in else value
        for name, value, slot in zip(row.called, "xy-", "ab-", strict=False)
    ]
    call = "z = call({arguments})" if not row.gives[1] else "z, r[second] = call({arguments})"
    if row.kind is Kind.FLOAT and "fcsr" in row.results:
        call = _FLAGS if row.fp_out else _COMPARE
    call = call.format(arguments=", ".join(arguments), width=row.fp_out)
    text = _CLOSURE.format(call=call, claim=_CLAIM if row.fp_out else "", other=_OTHER[row.fp_out])
    scope: dict[str, Any] = {"settle": settle}
    exec(text, scope)
    make: Function = scope["make"]
    return None if text == _PLAIN else make
