"""The memory that the harness shares with a worker: the exchange of ``exchange.h`` and the guest's regions."""

from __future__ import annotations

import mmap
import os
import sys
from array import array
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from cffi import FFI

from harness.engines.base import PAGE, Region
from harness.errors import HarnessError, UsageError

ffi = FFI()
ffi.cdef(Path(__file__).with_name("exchange.h").read_text(encoding="utf-8"))


def _constants(enum: str, *names: str) -> list[int]:
    values = ffi.typeof(f"enum {enum}").relements
    return [int(values[f"TALLY_{name}"]) for name in names]


#: ``enum tally_stop`` and ``enum tally_place``; what they mean stands in ``exchange.h``.
PENDING, RETURNED, WILD, HANG, EXTERNAL, LEFT, FAILED = _constants(
    "tally_stop", "PENDING", "RETURNED", "WILD", "HANG", "EXTERNAL", "LEFT", "FAILED"
)
CALL, CAME_BACK, AGAIN, LOAD, STORE, TIE = _constants(
    "tally_request", "CALL", "CAME_BACK", "AGAIN", "LOAD", "STORE", "TIE"
)
BELOW_STACK, ABOVE_STACK, NOWHERE = _constants("tally_place", "BELOW_STACK", "ABOVE_STACK", "NOWHERE")

#: Bytes before the guest's regions.
_HEADER = (ffi.sizeof("struct tally_exchange") + PAGE - 1) // PAGE * PAGE
_MAX_REGIONS: int = ffi.typeof("struct tally_exchange").fields[-1][1].type.length

#: The first size in bytes; it grows as states need.
_FIRST_SIZE = 1 << 22


class SharedMemory:
    """The exchange and the bytes of the regions, in a file without a name.

    What is there already is not written again, so that a region that neither the state nor the C changes costs
    nothing. ``exchange`` is a cffi ``struct tally_exchange *``.
    """

    def __init__(self, word_swapped: bool, memory_base: int) -> None:
        if not hasattr(os, "memfd_create"):
            raise UsageError("translated C", "cannot be run on this system", got=sys.platform, expected="linux")
        self.fd = os.memfd_create("tallystick", os.MFD_CLOEXEC)
        self._memory_base = memory_base
        self._word_swapped = word_swapped
        self._regions: tuple[Region, ...] = ()
        self._offsets: list[int] = []
        self._present: list[bytes | None] = []
        self._file, self.exchange = self._mapped(_FIRST_SIZE)
        self.exchange.word_swapped = word_swapped

    def put(self, memory: tuple[Region, ...]) -> None:
        """Brings the bytes of ``memory`` in, and asks for a new map of guest space if their places are new."""
        new_places = memory is not self._regions and not self._fits(memory)
        if new_places:
            self._lay_out(memory)
        self.exchange.remap = new_places
        self._regions = memory
        for index, region in enumerate(memory):
            # The worker may hold read-only bytes in another order: they are only written for a new map.
            if (region.writable or new_places) and region.data is not self._present[index]:
                offset = self._offsets[index]
                self._file[offset : offset + len(region.data)] = region.data
                self._present[index] = region.data

    def regions_after(self) -> tuple[Region, ...]:
        """The regions as the call left them; one that did not change is the same object."""
        return tuple(self._region_after(index, region) for index, region in enumerate(self._regions))

    def read(self, address: int, size: int) -> bytes:
        """The bytes at an address in one of the regions, in guest order, while a call waits."""
        region, start = self._place(address)
        if not region.writable:
            return region.data[address - region.address :][:size]
        first, last = self._words(start, size)
        return self._turned(self._file[first:last])[start - first :][:size]

    def write(self, address: int, data: bytes) -> None:
        """Puts bytes into a writable region while a call waits."""
        _, start = self._place(address)
        first, last = self._words(start, len(data))
        held = bytearray(self._turned(self._file[first:last]))
        held[start - first : start - first + len(data)] = data
        self._file[first:last] = self._turned(bytes(held))

    def _place(self, address: int) -> tuple[Region, int]:
        """The region that holds an address, and where the address is in the file."""
        for region, offset in zip(self._regions, self._offsets, strict=True):
            if region.address <= address < region.end:
                return region, offset + address - region.address
        raise HarnessError(f"guest address {address:016x}", "is in no region of the state")

    def _words(self, start: int, size: int) -> tuple[int, int]:
        """The range of whole words that holds a range."""
        return start & -4, start + size + 3 & -4

    def _turned(self, data: bytes) -> bytes:
        """Whole words between guest order and the order that a running call has them in."""
        if not self._word_swapped:
            return data
        words = array("I", data)
        words.byteswap()
        return words.tobytes()

    def settle(self) -> None:
        """After a call that was stopped: its map stands, and nobody knows what writable regions hold."""
        for index, region in enumerate(self._regions):
            if region.writable:
                self._present[index] = None

    def forget(self) -> None:
        """After the death of the worker: nothing is mapped and nothing is known."""
        self._regions = ()

    def close(self) -> None:
        """Frees the memory."""
        ffi.release(self.exchange)
        self._file.close()
        os.close(self.fd)

    def _mapped(self, size: int) -> tuple[mmap.mmap, Any]:
        """The file, now ``size`` bytes large, and the exchange at its start; what was in it stays."""
        os.ftruncate(self.fd, size)
        file = mmap.mmap(self.fd, size)
        return file, ffi.from_buffer("struct tally_exchange *", file, require_writable=True)

    def _fits(self, memory: Sequence[Region]) -> bool:
        """Whether the worker's map serves ``memory``: same places, and the same bytes where it cannot write."""
        return len(memory) == len(self._regions) and all(
            new is old
            or (
                new.address == old.address
                and new.writable == old.writable
                and len(new.data) == len(old.data)
                and (new.writable or new.data == old.data)
            )
            for new, old in zip(memory, self._regions, strict=True)
        )

    def _lay_out(self, memory: Sequence[Region]) -> None:
        if len(memory) > _MAX_REGIONS:
            raise HarnessError("state", "too many regions", got=str(len(memory)), expected=f"at most {_MAX_REGIONS}")
        self._offsets = []
        end = _HEADER
        for region in memory:
            self._offsets.append(end)
            end += len(region.data)
        if end > len(self._file):
            ffi.release(self.exchange)
            self._file.close()
            self._file, self.exchange = self._mapped(1 << end.bit_length())
        for index, region in enumerate(memory):
            place = self.exchange.regions[index]
            place.position = (region.address - self._memory_base) & 0xFFFF_FFFF
            place.size = len(region.data)
            place.file_offset = self._offsets[index]
            place.writable = region.writable
        self.exchange.region_count = len(memory)
        self._present = [None] * len(memory)

    def _region_after(self, index: int, region: Region) -> Region:
        if not region.writable:
            return region
        offset = self._offsets[index]
        data = self._file[offset : offset + len(region.data)]
        if data == region.data:
            return region
        self._present[index] = data
        return Region(region.address, data, True, region.name)
