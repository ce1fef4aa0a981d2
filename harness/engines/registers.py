"""Single registers of the reference, by name."""

from __future__ import annotations

from interp.forms import DOUBLE, FILES
from interp.machine import Machine
from interp.optable import Loc
from interp.words import M64, sext64


def place(machine: Machine, loc: Loc) -> int:
    """The slot of a register."""
    file, number = loc
    return (DOUBLE if machine.fr and file == "fpr" else FILES[file]) + number


def get(machine: Machine, loc: Loc) -> int:
    """The unsigned value of a register."""
    slot = place(machine, loc)
    value = machine.slots[slot]
    return int(machine.assembler.floats.saved(slot) if value is None else value & M64)


def put(machine: Machine, loc: Loc, value: int) -> None:
    """Gives a register an unsigned value."""
    slot = place(machine, loc)
    if loc[0] == "fpr":
        machine.assembler.floats.claim(slot)
    machine.slots[slot] = value if loc[0] in ("fpr", "fcsr") else sext64(value)
