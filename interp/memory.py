"""Guest memory: regions of whole pages, big-endian, of which a run copies only the pages that it writes.

Addresses are taken signed or unsigned; kseg0 and kseg1 name the same bytes (R4K p. 75-76). An access outside 32-bit
addressing or off its natural alignment is an address error, one where nothing is mapped a TLB miss. Code runs as it
was mapped: the reference does not run what the guest itself wrote (open without cache operations).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from typing import NamedTuple

from interp.events import GuestTrap, open_
from interp.words import sext32, sext64, zext64

PAGE_BITS = 12
PAGE = 1 << PAGE_BITS

_STRUCTS = {1: struct.Struct(">B"), 2: struct.Struct(">H"), 4: struct.Struct(">I"), 8: struct.Struct(">Q")}
_UNPACK: dict[int, Callable[..., Sequence[int]]] = {n: big_endian.unpack_from for n, big_endian in _STRUCTS.items()}
_PACK = {n: (big_endian.pack_into, (1 << 8 * n) - 1) for n, big_endian in _STRUCTS.items()}
_REFUSALS = {"store": "read-only memory", "fetch": "no code there"}


class _Region(NamedTuple):
    start: int
    end: int
    data: bytes
    allowed: tuple[str, ...]  # of "load", "store", "fetch"

    def page(self, start: int) -> bytes:
        """The bytes of the page that an address is in, as they were mapped."""
        offset = start - self.start & -PAGE
        return self.data[offset : offset + PAGE]


def cached(address: int) -> int:
    """The signed address, in kseg0 if it is in kseg1."""
    address = sext64(address)
    return address - 0x2000_0000 if -0x6000_0000 <= address < -0x4000_0000 else address


class Memory:
    """What the guest can load, store and run.

    ``load`` and ``store`` move 1, 2, 4 or 8 bytes as an unsigned number. Raises: GuestTrap with the address.
    """

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Unmaps everything and drops the link of LL."""
        #: What can be run, in the order in which it was mapped: (signed address, bytes).
        self.code: tuple[tuple[int, bytes], ...] = ()
        self._regions: list[_Region] = []
        self._fetched: dict[int, bytes] = {}  # page number -> bytes, for the few pages that are run
        self._read: dict[int, bytes | bytearray] = {}  # page number -> bytes, filled at the first touch
        self._written: dict[int, bytearray] = {}  # the pages that differ from their region
        #: The pages of code that were written: page number -> bytes as they were mapped.
        self.overwritten: dict[int, bytes] = {}
        self.drop_link()

    def drop_link(self) -> None:
        """Forgets the link of LL."""
        self._link: int | None = None
        self._fast = self._written  # what plain stores look at: empty between LL and the next store

    def map(self, address: int, data: bytes, writable: bool, executable: bool | None = None) -> None:
        """Maps a copy of ``data`` at a page-aligned address, whole pages of it; overlap is a ValueError.

        What is read-only may be executed unless ``executable`` says otherwise.
        """
        executable = not writable if executable is None else executable
        start = cached(address)
        end = start + len(data)
        if start % PAGE or len(data) % PAGE or any(r.start < end and start < r.end for r in self._regions):
            raise ValueError(f"region {address:016x} + {len(data):#x}: not whole pages, or overlaps another")
        self._regions.append(_Region(start, end, data, ("load", "store" * writable, "fetch" * executable)))
        if executable:
            self.code = (*self.code, (start, data))

    def read(self, address: int, size: int) -> bytes:
        """The bytes of a range inside one region as they are now; the region's own object where nothing was written."""
        start = cached(address)
        region = self._find(start)
        if region is None or start + size > region.end:
            raise ValueError(f"{address:016x} + {size:#x} bytes: not inside one region")
        numbers = range(start >> PAGE_BITS, start + size + PAGE - 1 >> PAGE_BITS)
        if not any(number in numbers for number in self._written):
            return region.data[start - region.start : start - region.start + size]
        pages = [self._written.get(number) or region.page(number << PAGE_BITS) for number in numbers]
        return b"".join(pages)[start % PAGE :][:size]

    def fetch(self, address: int) -> int:
        """The instruction word at ``address``, as it was mapped."""
        page = self._fetched.get(address >> PAGE_BITS)
        if page is None or address & 3:
            start, region = self._checked(address, 4, "fetch")
            page = self._fetched[address >> PAGE_BITS] = region.page(start)
        return _UNPACK[4](page, address & PAGE - 1)[0]

    def load(self, address: int, n: int) -> int:
        """Loads ``n`` bytes."""
        page, offset = self._read.get(address >> PAGE_BITS), address & PAGE - 1
        if page is None or offset & (n - 1):
            start, region = self._checked(address, n, "load")
            page = self._read.setdefault(start >> PAGE_BITS, region.page(start))
        return _UNPACK[n](page, offset)[0]

    def store(self, address: int, n: int, value: int) -> None:
        """Stores the low ``n`` bytes of ``value``."""
        page, offset = self._fast.get(address >> PAGE_BITS), address & PAGE - 1
        if page is None or offset & (n - 1):
            page = self._writable(address, n)
        pack, mask = _PACK[n]
        pack(page, offset, value & mask)

    def merge(self, address: int, n: int, value: int, mask: int) -> None:
        """Stores those bits of ``value`` that are set in ``mask``; a whole number of bytes."""
        page = self._fast.get(address >> PAGE_BITS) or self._writable(address, n)
        old = _UNPACK[n](page, address & PAGE - 1)[0]
        _PACK[n][0](page, address & PAGE - 1, old & ~mask | value & mask)

    def load_linked(self, address: int, n: int) -> int:
        """Loads ``n`` bytes and sets the link."""
        value = self.load(address, n)
        self._link, self._fast = cached(address), {}
        return value

    def store_conditional(self, address: int, n: int, value: int) -> int:
        """Stores where a link is set, and says with 1 or 0 whether it did.

        Undefined when: the address is not the linked one, or a store (an SC too) came between.
        """
        linked, stored = self._link is not None, self._fast is self._written
        self._writable(address, n)
        open_("sc-address", linked and self._link != cached(address))
        open_("sc-after-store", linked and stored)
        if linked:
            self.store(address, n, value)
        return int(linked)

    def is_changed(self, address: int) -> bool:
        """Whether the guest has made the instruction at an address another."""
        number, offset = divmod(cached(address), PAGE)
        before = self.overwritten.get(number)
        return before is not None and before[offset : offset + 4] != self._written[number][offset : offset + 4]

    def _find(self, start: int) -> _Region | None:
        return next((region for region in self._regions if region.start <= start < region.end), None)

    def _checked(self, address: int, n: int, access: str) -> tuple[int, _Region]:
        """The kseg0 address and the region of an access. Raises: what the chip does where it is not allowed."""
        address = sext64(address)
        if address & (n - 1) or address != sext32(address):
            raise GuestTrap(f"address-error-{access}", zext64(address))
        start = cached(address)
        region = self._find(start)
        if region is None or access not in region.allowed:
            why = "nothing is mapped there" if region is None else _REFUSALS[access]
            raise GuestTrap(f"tlb-{access}", zext64(address), why)
        return start, region

    def _writable(self, address: int, n: int) -> bytearray:
        """The page of a store, on its first touch, in kseg1, between LL and SC, or never."""
        start, region = self._checked(address, n, "store")
        self._fast, number = self._written, start >> PAGE_BITS
        if number not in self._written:
            before = region.page(start)
            self._written[number] = self._read[number] = bytearray(before)
            if "fetch" in region.allowed:
                self.overwritten[number] = before
        return self._written[number]
