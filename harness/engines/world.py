"""How the world outside answers one run of one leg.

What is drawn depends on the number in the state and on what happened before, alone: all legs get the same answers for
as long as they do the same. Nobody but this module draws, so no leg can draw otherwise.
"""

from __future__ import annotations

import hashlib
import struct
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache, lru_cache
from itertools import permutations
from typing import Protocol, TypeVar

from harness.abi import GPR_NAMES, RA, SP, Abi
from harness.engines.base import MachineState, Region
from harness.engines.outside import Boundary, DeviceWindow, Effect, EventKind, Outside, OutsideEvent, Slot, Span
from interp.optable import Loc

#: After so many events a run is stopped like one that uses up its fuel.
MOST_EVENTS = 5_000

#: Calls of which it is kept what they leave: all legs, and all runs of a search, ask for that of the same ones.
_KEPT_CALLS = 2_048

#: Units: bytes of memory that an external may look at or fill at once, and of those that a report shows in full.
_MOST_BYTES = 1 << 16
_SHOWN_BYTES = 64

_T = TypeVar("_T")
_M64 = (1 << 64) - 1
_PHYSICAL = 0x1FFF_FFFF
_V0: Loc = ("gpr", 2)
_RESERVED = (0, 26, 27, RA)  # zero, the operating system's two, and where to go on
_ORDERS = tuple(permutations(range(4)))
_CORNERS = (0, 1, 2, -1, 0x7F, 0x80, 0xFF, 0x7FFF, 0x8000, 0xFFFF, 0x7FFF_FFFF, -0x8000_0000)
_FLOATS = (0.0, 1.0, -1.0, 0.5, 2.0, 100.0, 1e-3, 65536.0)


class View(Protocol):
    """What a leg shows of itself while something outside of its program works.

    ``get`` gives None for a register that the leg cannot see; ``set`` leaves it alone. ``read`` and ``write`` move
    bytes inside one region of the state.
    """

    def get(self, loc: Loc) -> int | None:
        """The unsigned value of a register."""

    def set(self, loc: Loc, value: int) -> None:
        """Gives a register an unsigned value."""

    def read(self, address: int, size: int) -> bytes:
        """The bytes at a guest address, in guest order."""

    def write(self, address: int, data: bytes) -> None:
        """Puts bytes at a guest address."""


class World:
    """The world outside during one run from ``before``; ``events`` is what the run did to it so far."""

    def __init__(self, outside: Outside, before: MachineState) -> None:
        self.outside = outside
        self.events: list[OutsideEvent] = []
        self._before = before
        self._reads: dict[int, int] = {}  # device address -> times read
        self._isolated = 0

    @property
    def full(self) -> bool:
        """Whether the run did so much outside that it counts as endless."""
        return len(self.events) >= MOST_EVENTS

    @property
    def _repeats(self) -> bool:
        """Whether an external that chooses chooses the same each time: what waits for something else waits in vain."""
        return self._before.draws // 2 % 3 == 1

    # -- calls -------------------------------------------------------------------------------------------------------

    def call(self, boundary: Boundary, view: View) -> None:
        """Notes a call and lets it do to the leg what it does."""
        if boundary.isolated:
            self._repeat(boundary, view)
            return
        slots = [(slot.name, self._slot(slot, view)) for slot in boundary.arguments]
        values = [(name, None if value is None else _hex(value, name)) for name, value in slots]
        values += [(span.name, self._looked_at(span, view)) for span in boundary.reads]
        filled = [self._extent(span, view, writable=True) for span in boundary.writes]
        kept = view.get(("gpr", GPR_NAMES.index(boundary.result))) if boundary.result in GPR_NAMES else None
        stream = _Stream(self._before.draws, f"call {len(self.events)}")
        if self._repeats and isinstance(boundary.result, tuple):
            stream = _Stream(self._before.draws, f"answers of {boundary.name}")
        for loc, value in clobbers(self.outside.abi, self._before.fr, self._before.draws, len(self.events)):
            view.set(loc, value)
        answers = []
        for loc, value in self._results(boundary.result, kept, stream):
            view.set(loc, value)
            answers.append(f"{_name(loc)}={_hex(value, _name(loc))}")
        for span, extent in zip(boundary.writes, filled, strict=True):
            if extent is not None and extent[1]:
                data = stream.take(extent[1])
                view.write(extent[0], data)
                answers.append(f"{span.name}={_shown(data)}")
        self.events.append(OutsideEvent(EventKind.CALL, boundary.name, tuple(values), ", ".join(answers)))

    def catch_up(self, events: Sequence[OutsideEvent]) -> None:
        """Takes what another leg did so far for what this one did."""
        self.events[:] = events
        reads = (int(event.where, 16) for event in events if event.kind is EventKind.READ)
        self._reads = dict(Counter(reads))

    def nested(self) -> World:
        """The world as an isolated callee meets it: what it does there is no event of the function under test."""
        draws = self._before.draws
        return World(self.outside, replace(self._before, draws=draws and draws + len(self.events) + 1))

    def _repeat(self, boundary: Boundary, view: View) -> None:
        """Lets an isolated callee do what it did in the reference, if that called the same one here."""
        effects, number = self._before.effects, self._isolated
        self._isolated += 1
        if number >= len(effects) or effects[number].where != boundary.name:
            self.events.append(OutsideEvent(EventKind.CALL, boundary.name, ()))
            return
        effect = effects[number]
        self.events.append(
            callee_event(
                effect,
                {loc: view.get(loc) for loc in effect.reads},
                [self._bytes(address, size, view) for address, size in effect.looks],
            )
        )
        for loc, value in effect.registers:
            view.set(loc, value)
        for address, data in effect.memory:
            if (place := self._inside(address, len(data))) is not None:
                view.write(place[1], data)

    def _bytes(self, address: int, size: int, view: View) -> bytes:
        """What the state has at an address; nothing where it has nothing."""
        place = self._inside(address, size)
        return b"" if place is None else view.read(place[1], size)

    def _slot(self, slot: Slot, view: View) -> int | None:
        if slot.room == "gpr":
            return view.get(("gpr", slot.number))
        if slot.room != "stack":
            return self._float(slot, view)
        sp = view.get(("gpr", SP))
        if sp is None:
            return None
        size = self.outside.abi.slot_bytes
        place = self._inside((sp + slot.number) & _M64, size)
        return None if place is None else int.from_bytes(view.read(place[1], size), "big", signed=True) & _M64

    def _float(self, slot: Slot, view: View) -> int | None:
        """A single is the low word of its register; a double is all of it, or without the FR bit two registers."""
        low = view.get(("fpr", slot.number))
        if slot.room == "single" or self._before.fr or low is None:
            return low if low is None or slot.room == "double" else low & 0xFFFF_FFFF
        high = view.get(("fpr", slot.number | 1))
        return None if high is None else high << 32 | low

    def size_of(self, span: Span, view: View) -> int | None:
        """The number of bytes that a span names; None for a text, and where its count cannot be seen."""
        count = 1 if span.count is None else self._slot(span.count, view)
        return None if span.text or count is None else span.size * count

    def _extent(self, span: Span, view: View, writable: bool = False) -> tuple[int, int] | None:
        """Address and size of the memory that a span names; None where not all of it is there."""
        start = self._slot(span.pointer, view)
        if start is None:
            return None
        if span.text:
            place = self._inside(start, 1)
            if place is None:
                return None
            held = view.read(place[1], min(place[0].end - place[1], _MOST_BYTES))
            return place[1], held.find(b"\0") + 1 or len(held)
        size = self.size_of(span, view)
        if not size:
            return start, 0
        place = self._inside(start, size) if 0 < size <= _MOST_BYTES else None
        return None if place is None or (writable and not place[0].writable) else (place[1], size)

    def _looked_at(self, span: Span, view: View) -> str | None:
        if self._slot(span.pointer, view) is None:
            return None
        extent = self._extent(span, view)
        if extent is None:
            return "not mapped"
        return _shown(view.read(*extent)) if extent[1] else "no bytes"

    def _inside(self, address: int, size: int) -> tuple[Region, int] | None:
        """The region of the state that holds a range, and where the range begins as that region counts it."""
        unmapped = 0xFFFF_FFFF_8000_0000 <= address < 0xFFFF_FFFF_C000_0000
        for region in self._before.memory:
            distance = (address & _PHYSICAL) - (region.address & _PHYSICAL) if unmapped else address - region.address
            if distance >= 0 and distance + size <= len(region.data):
                return region, region.address + distance
        return None

    def _results(self, result: str | tuple[int, ...], kept: int | None, stream: _Stream) -> Iterator[tuple[Loc, int]]:
        """The result registers with what is drawn for them."""
        v0, v1, f0, f1 = ("gpr", 2), ("gpr", 3), ("fpr", 0), ("fpr", 1)
        if isinstance(result, tuple):
            yield v0, _sign_extended(stream.choice(result))
        elif result in GPR_NAMES:
            if kept is not None:
                yield v0, kept
        elif result == "integer":
            yield v0, stream.integer()
        elif result == "boolean":
            yield v0, stream.number(1) & 1
        elif result == "wide":
            high, low = stream.integer(), stream.word()
            if self.outside.abi.wide_registers:
                yield v0, (high << 32 | low & 0xFFFF_FFFF) & _M64
            else:
                yield v0, high
                yield v1, low
        elif result == "float":
            yield f0, int.from_bytes(struct.pack(">f", stream.real()), "big")
        elif result == "double":
            bits = int.from_bytes(struct.pack(">d", stream.real()), "big")
            if self._before.fr:
                yield f0, bits
            else:
                yield f0, bits & 0xFFFF_FFFF
                yield f1, bits >> 32

    # -- devices -----------------------------------------------------------------------------------------------------

    def load(self, window: DeviceWindow, address: int, size: int) -> int:
        """What a device register gives: among eight reads of one there are always all zeros and all ones.

        Units: ``size`` in bytes; devices stand on a bus of 4, so 8 are two accesses, the high word first.
        """
        if size == 8:
            return self.load(window, address, 4) << 32 | self.load(window, address + 4, 4)
        offset = window.offset(address)
        assert offset is not None  # the leg has looked
        place = window.address + offset
        number = self._reads.get(place, 0)
        self._reads[place] = number + 1
        value = self._register(window, place, number, size)
        where, digits = f"{place:016x}", 2 * size
        self.events.append(OutsideEvent(EventKind.READ, where, (("bytes", str(size)),), f"{value:0{digits}x}"))
        return value

    def store(self, window: DeviceWindow, address: int, size: int, value: int) -> None:
        """Notes what is written to a device register; 8 bytes are two accesses, as in ``load``."""
        if size == 8:
            self.store(window, address, 4, value >> 32)
            self.store(window, address + 4, 4, value)
            return
        offset = window.offset(address)
        assert offset is not None  # the leg has looked
        where, digits = f"{window.address + offset:016x}", 2 * size
        shown = f"{value & (1 << 8 * size) - 1:0{digits}x}"
        self.events.append(OutsideEvent(EventKind.WRITE, where, (("bytes", str(size)), ("value", shown))))

    def _register(self, window: DeviceWindow, place: int, number: int, size: int) -> int:
        """The value of one read: zeros, ones, a favourite and anything follow each other in ever new order."""
        mask = (1 << 8 * size) - 1
        group, turn = divmod(number, 4)
        stream = _Stream(self._before.draws, f"device {place:x} {group}")
        kind = stream.choice(_ORDERS)[turn] if self._before.draws else 0
        if kind == 0:
            return 0
        if kind == 1:
            return mask
        stream = _Stream(self._before.draws, f"device {place:x} read {number}")
        if kind == 2:
            return stream.number(size)
        return (stream.choice(window.values) if window.values else 1 << stream.number(1) % (8 * size)) & mask


@lru_cache(maxsize=_KEPT_CALLS)
def clobbers(abi: Abi, fr: bool, draws: int, number: int) -> tuple[tuple[Loc, int], ...]:
    """What a call leaves in each register that it need not preserve: words in the general ones."""
    locs, cells = _clobbered(abi, fr)
    values = cells.unpack(_Stream(draws, f"left by call {number}").take(cells.size))
    return tuple(zip(locs, [value & _M64 for value in values], strict=True))


@cache
def _clobbered(abi: Abi, fr: bool) -> tuple[tuple[Loc, ...], struct.Struct]:
    """The registers that a call need not preserve, and how what they get lies in drawn bytes."""
    words: list[Loc] = [("gpr", n) for n in range(32) if n not in abi.preserved_gprs and n not in _RESERVED]
    words += [("hi", 0), ("lo", 0)]
    floats: list[Loc] = [("fpr", n) for n in range(32) if n not in abi.preserved_fprs]
    return (*words, *floats), struct.Struct(f">{len(words)}i{len(floats)}{'Q' if fr else 'I'}")


class _Stream:
    """Numbers that follow from a seed and a name; all zeros where the seed is 0."""

    def __init__(self, seed: int, name: str) -> None:
        self._source = hashlib.shake_128(f"{seed} {name}".encode()) if seed else None
        self._taken = 0
        self._held = b""

    def take(self, size: int) -> bytes:
        """The next ``size`` bytes."""
        start = self._taken
        self._taken += size
        if self._source is None:
            return bytes(size)
        if self._taken > len(self._held):
            self._held = self._source.digest(max(256, 2 * self._taken))
        return self._held[start : self._taken]

    def number(self, size: int) -> int:
        """An unsigned number of ``size`` bytes."""
        return int.from_bytes(self.take(size), "big")

    def word(self) -> int:
        """A word, sign-extended to 64 bits."""
        return _sign_extended(self.number(4))

    def integer(self) -> int:
        """A word that is often at a corner, or small."""
        kind, word = self.number(1) % 4, self.word()
        if kind == 0:
            return _sign_extended(self.choice(_CORNERS))
        return word & 0xF if kind == 1 else word

    def real(self) -> float:
        """A number that a program may well meet."""
        kind, word = self.number(1) % 2, self.number(4)
        if kind or self._source is None:
            return _FLOATS[word % len(_FLOATS)]
        return (word - (1 << 31)) / (1 << 20)

    def choice(self, values: tuple[_T, ...]) -> _T:
        """One of ``values``."""
        return values[self.number(2) % len(values)]


def callee_event(effect: Effect, registers: Mapping[Loc, int | None], memory: Iterable[bytes]) -> OutsideEvent:
    """The event of an isolated callee that took these registers and looked at this memory."""
    values: list[tuple[str, str | None]] = [
        (_name(loc), None if value is None else _hex(value, _name(loc))) for loc, value in registers.items()
    ]
    values += [
        (f"{address:016x}+{size}", _shown(data)) for (address, size), data in zip(effect.looks, memory, strict=True)
    ]
    left = dict(effect.registers)
    answer = f"v0={_hex(left[_V0], 'v0')}" if _V0 in left else ""
    return OutsideEvent(EventKind.CALL, effect.where, tuple(values), answer)


def _name(loc: Loc) -> str:
    kind, number = loc
    return GPR_NAMES[number] if kind == "gpr" else f"f{number}" if kind == "fpr" else kind


def _hex(value: int, name: str) -> str:
    """Hex digits: 8 for a sign-extended word or a short register, else 16."""
    short = _sign_extended(value & 0xFFFF_FFFF) == value or (name[0] == "f" and name != "fp" and value < 1 << 32)
    return f"{value & 0xFFFF_FFFF:08x}" if short else f"{value:016x}"


def _shown(data: bytes) -> str:
    """Bytes in hex; of many, how many there are and a hash of them."""
    if len(data) <= _SHOWN_BYTES:
        return data.hex()
    return f"{len(data)} bytes of hash {hashlib.sha256(data).hexdigest()[:16]}"


def _sign_extended(value: int) -> int:
    """A value as registers hold it: words extended to 64 bits."""
    return (value | 0xFFFF_FFFF_0000_0000) & _M64 if value >> 31 == 1 or value < 0 else value
