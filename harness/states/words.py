"""A state as a list of words: the unit in which states are edited, counted and reduced.

A register is one word; memory is words of 4 bytes at multiples of 4. Two states can only be compared word by word
when they have the same regions, which is so for all states of one shape.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import NamedTuple

from harness.engines.base import MachineState, Region
from harness.errors import HarnessError

WORD = 4


class Word(NamedTuple):
    """The name of one word: ``("gpr", 4)``, ``("hi", 0)``, ``("fpr", 12)``, ``("fcsr", 0)`` or ``("mem", address)``."""

    room: str
    number: int


def sign_extended(value: int) -> int:
    """The low 32 bits of ``value`` sign-extended to an unsigned 64-bit register value."""
    low = value & 0xFFFF_FFFF
    return low | 0xFFFF_FFFF_0000_0000 if low & 0x8000_0000 else low


def is_canonical(value: int) -> bool:
    """Whether an unsigned 64-bit ``value`` is the sign-extension of its low 32 bits."""
    return value == sign_extended(value)


def different_words(base: MachineState, state: MachineState) -> dict[Word, int]:
    """The words in which ``state`` differs from ``base``, with their values in ``state``, in a fixed order.

    Errors: ``HarnessError`` when the regions of the two states do not lie at the same addresses.
    """
    words: dict[Word, int] = {}
    for word, before, after in _register_pairs(base, state):
        if before != after and after is not None:
            words[word] = after
    for before_region, after_region in _region_pairs(base, state):
        if before_region.data is not after_region.data:
            words.update(_different_memory(before_region, after_region))
    return words


def nondefault_words(base: MachineState, state: MachineState) -> int:
    """How many words of ``state`` a reader has to look at, because ``base`` has another value there."""
    return len(different_words(base, state))


def with_words(base: MachineState, words: Mapping[Word, int]) -> MachineState:
    """``base`` with the given words changed; regions without a change stay the same objects."""
    gpr, fpr = list(base.gpr), list(base.fpr)
    single = {"hi": base.hi, "lo": base.lo, "fcsr": base.fcsr}
    memory: dict[int, int] = {}
    for word, value in words.items():
        if word.room == "gpr":
            gpr[word.number] = value
        elif word.room == "fpr":
            fpr[word.number] = value
        elif word.room == "mem":
            memory[word.number] = value
        else:
            single[word.room] = value
    return replace(
        base,
        gpr=tuple(gpr),
        hi=single["hi"],
        lo=single["lo"],
        fpr=tuple(fpr),
        fcsr=single["fcsr"],
        memory=tuple(_with_memory(region, memory) for region in base.memory) if memory else base.memory,
    )


def value_of(state: MachineState, word: Word) -> int:
    """The value of one word of ``state``.

    Errors: ``HarnessError`` for a word that no region holds.
    """
    if word.room == "mem":
        for region in state.memory:
            if region.address <= word.number < region.end:
                start = word.number - region.address
                return int.from_bytes(region.data[start : start + WORD], "big")
        raise HarnessError("states", "no region holds the word", got=f"{word.number:016x}")
    if word.room in ("gpr", "fpr"):
        value = (state.gpr if word.room == "gpr" else state.fpr)[word.number]
    else:
        value = {"hi": state.hi, "lo": state.lo, "fcsr": state.fcsr}[word.room]
    if value is None:
        raise HarnessError("states", "a state before a call has an unknown register", got=f"{word.room} {word.number}")
    return value


def _register_pairs(base: MachineState, state: MachineState) -> Iterator[tuple[Word, int | None, int | None]]:
    for number, (before, after) in enumerate(zip(base.gpr, state.gpr, strict=True)):
        yield Word("gpr", number), before, after
    yield Word("hi", 0), base.hi, state.hi
    yield Word("lo", 0), base.lo, state.lo
    for number, (before, after) in enumerate(zip(base.fpr, state.fpr, strict=True)):
        yield Word("fpr", number), before, after
    yield Word("fcsr", 0), base.fcsr, state.fcsr


def _region_pairs(base: MachineState, state: MachineState) -> Iterable[tuple[Region, Region]]:
    places = [[(region.address, len(region.data)) for region in side.memory] for side in (base, state)]
    if places[0] != places[1]:
        raise HarnessError("states", "two states of one shape have different regions")
    return zip(base.memory, state.memory, strict=True)


def _different_memory(before: Region, after: Region) -> Iterator[tuple[Word, int]]:
    for start in range(0, len(after.data), WORD):
        bytes_after = after.data[start : start + WORD]
        if bytes_after != before.data[start : start + WORD]:
            yield Word("mem", after.address + start), int.from_bytes(bytes_after, "big")


def _with_memory(region: Region, memory: Mapping[int, int]) -> Region:
    inside = {address: value for address, value in memory.items() if region.address <= address < region.end}
    if not inside:
        return region
    data = bytearray(region.data)
    for address, value in inside.items():
        start = address - region.address
        data[start : start + WORD] = value.to_bytes(WORD, "big")
    return replace(region, data=bytes(data))
