"""States and outcomes made by hand for the tests of this folder."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Outcome, Region, StopKind

STACK = 0xFFFF_FFFF_8040_0000
DATA = 0xFFFF_FFFF_8010_0000
#: Stack pointer at entry of every state made here: the middle of the stack page.
ENTRY_SP = STACK + 0x800


def state(fr: bool = False, **changes: Any) -> MachineState:
    """All zero but sp and ra, one page of data and one of stack; ``changes`` are fields or ``r5=..``, ``f3=..``."""
    gpr = [0] * 32
    gpr[29], gpr[31] = ENTRY_SP, RETURN_ADDRESS
    fpr = [0] * 32
    memory = {DATA: bytearray(PAGE), STACK: bytearray(PAGE)}
    fields: dict[str, Any] = {}
    for name, value in changes.items():
        if name[0] in "rf" and name[1:].isdigit():
            (gpr if name[0] == "r" else fpr)[int(name[1:])] = value
        else:
            fields[name] = value
    regions = tuple(Region(address, bytes(page), True) for address, page in memory.items())
    made = MachineState(RETURN_ADDRESS, tuple(gpr), 0, 0, tuple(fpr), 0, fr, regions)
    return replace(made, **fields)


def poke(before: MachineState, address: int, new: bytes) -> MachineState:
    """``before`` with ``new`` written at ``address``."""
    memory = []
    for region in before.memory:
        if region.address <= address < region.end:
            at = address - region.address
            region = replace(region, data=region.data[:at] + new + region.data[at + len(new) :])
        memory.append(region)
    return replace(before, memory=tuple(memory))


def returned(after: MachineState, **fields: Any) -> Outcome:
    """An outcome that came back."""
    return Outcome(StopKind.RETURNED, after, **fields)
