"""States near a failing one: what the function read is changed, a word at a time, and all of it at once."""

from __future__ import annotations

import random
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from harness.engines.base import MachineState, Region
from harness.engines.replay import Step
from interp.optable import Kind, Loc

_WIDE = (1 << 64) - 1
_SP, _GP, _RA = 29, 28, 31


def inputs(steps: Iterable[Step]) -> tuple[list[Loc], set[Loc]]:
    """The places that a run read before it wrote them, in order, and those of them that led to memory or code."""
    written: set[Loc] = set()
    first: dict[Loc, None] = {}
    pointers: set[Loc] = set()
    origin: dict[Loc, frozenset[Loc]] = {}
    for step in steps:
        if step.insn is None:
            written |= step.writes.keys()
            continue
        for loc in step.reads:
            if loc not in written and loc != ("gpr", 0):
                first.setdefault(loc)
                origin.setdefault(loc, frozenset([loc]))
        if step.insn.row.access or step.insn.row.kind is Kind.INDIRECT:
            pointers |= origin.get(("gpr", step.insn.s), frozenset())
        came = frozenset().union(*(origin.get(loc, frozenset()) for loc in step.reads))
        moved = came if len(came) <= 8 else frozenset()
        for loc in step.writes:
            origin[loc] = moved
            written.add(loc)
    return list(first), pointers


def neighbours(before: MachineState, steps: Sequence[Step], count: int, seed: int) -> Iterator[MachineState]:
    """``count`` states near ``before``, of which ``steps`` is the run in the reference; the same for one seed."""
    read, pointers = inputs(steps)
    writable = [region for region in before.memory if region.writable]
    words = _words(read, pointers, writable)
    if not words:
        return
    chance = random.Random(seed)
    for number in range(count):
        chosen = words if number % 4 == 3 else chance.sample(words, min(len(words), 1 + number % 3))
        yield changed(before, {loc: _value(loc, before, chance) for loc in chosen})


def _words(read: list[Loc], pointers: set[Loc], writable: list[Region]) -> list[Loc]:
    """The registers and aligned words of memory that may be changed."""
    found: dict[Loc, None] = {}
    led = {("mem", loc[1] & ~3) if loc[0] == "mem" else loc for loc in pointers}
    for loc in read:
        word = ("mem", loc[1] & ~3) if loc[0] == "mem" else loc
        if word in led or word in (("gpr", _SP), ("gpr", _GP), ("gpr", _RA)) or word[0] == "cop0":
            continue
        if word[0] == "mem" and not any(one.address <= word[1] < one.end for one in writable):
            continue
        found.setdefault(word)
    return list(found)


def _value(loc: Loc, before: MachineState, chance: random.Random) -> int:
    """A value for a place, unlike the present one as a rule; integers are words, sign-extended."""
    if loc[0] == "fcsr":
        return _now(loc, before) & ~3 | chance.randrange(4)  # another rounding mode
    kind = chance.randrange(8)
    if kind == 0:
        word = chance.randrange(8)
    elif kind == 1:
        word = -1 - chance.randrange(8)
    elif kind == 2:
        word = 1 << chance.randrange(32)
    elif kind == 3:
        word = _now(loc, before) ^ 1 << chance.randrange(32)
    elif kind == 4:
        word = 0x7FFF_FFFF - chance.randrange(4)
    elif kind == 5:
        word = 0x8000_0000 + chance.randrange(4)
    elif kind == 6 and loc[0] != "gpr":
        word = 0x3F80_0000 + chance.randrange(0x0400_0000)
    else:
        word = chance.getrandbits(32)
    word &= 0xFFFF_FFFF
    if loc[0] == "mem" or (loc[0] == "fpr" and not before.fr):
        return word
    if loc[0] == "fpr":
        return word << 32 | chance.getrandbits(32)
    return word - (word >> 31 << 32) & _WIDE


def _now(loc: Loc, before: MachineState) -> int:
    if loc[0] == "mem":
        region = next(one for one in before.memory if one.address <= loc[1] < one.end)
        return int.from_bytes(region.data[loc[1] - region.address :][:4], "big")
    files = {"gpr": before.gpr, "fpr": before.fpr, "hi": (before.hi,), "lo": (before.lo,), "fcsr": (before.fcsr,)}
    return files[loc[0]][loc[1]] or 0


def changed(before: MachineState, values: dict[Loc, int]) -> MachineState:
    """A state with other values in registers and aligned words of memory."""
    gpr, fpr, memory = list(before.gpr), list(before.fpr), list(before.memory)
    hi, lo, fcsr = before.hi, before.lo, before.fcsr
    for (kind, number), value in values.items():
        if kind == "gpr":
            gpr[number] = value
        elif kind == "fpr":
            fpr[number] = value
        elif kind == "hi":
            hi = value
        elif kind == "lo":
            lo = value
        elif kind == "fcsr":
            fcsr = value
        else:
            index = next(n for n, one in enumerate(memory) if one.address <= number < one.end)
            data = bytearray(memory[index].data)
            offset = number - memory[index].address
            data[offset : offset + 4] = value.to_bytes(4, "big")
            memory[index] = replace(memory[index], data=bytes(data))
    return replace(before, gpr=tuple(gpr), fpr=tuple(fpr), hi=hi, lo=lo, fcsr=fcsr, memory=tuple(memory))
