"""Lays the pieces of an image (sections, segments) out in pages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from harness.engines.base import PAGE, RETURN_ADDRESS, Region
from harness.errors import UsageError

#: kseg0 and kseg1: the two views of physical memory that need no TLB (MIPS R4000 User's Manual, 2nd ed., chapter 4).
UNMAPPED_SEGMENTS = range(0xFFFF_FFFF_8000_0000, 0xFFFF_FFFF_C000_0000)

#: Largest image in bytes: many times the memory of any machine with this processor, small enough to hold here.
LARGEST_IMAGE = 64 << 20


def sign_extended(address: int) -> int:
    """Widens an address as the processor does.

    Widths: 32 bits in, 64 out; an address that is already 64 bits wide passes unchanged.
    """
    return address | 0xFFFF_FFFF_0000_0000 if 0x8000_0000 <= address <= 0xFFFF_FFFF else address


def physical(address: int) -> int:
    """Gives the physical address behind a kseg0 or kseg1 address."""
    return address & 0x1FFF_FFFF


@dataclass(frozen=True, slots=True)
class Piece:
    """A run of bytes of an image before it is laid out in pages.

    Units: ``address`` any guest address; ``size`` in bytes, at least 1. ``data`` may be shorter than ``size``; the
    rest is zero.
    """

    address: int
    size: int
    data: bytes
    writable: bool
    executable: bool
    name: str

    @property
    def end(self) -> int:
        """First address after the piece."""
        return self.address + self.size


def lay_out(path: Path, pieces: Iterable[Piece]) -> tuple[tuple[Region, ...], tuple[Region, ...]]:
    """Gives all regions of an image, and those of them that may be executed.

    A page that pieces of different kinds share is writable if one of them is, and executable if one of them is.
    Neighbouring pages of one kind make one region. What no piece covers is zero.

    Errors: ``UsageError`` for a piece outside kseg0 and kseg1, pieces that overlap, a piece that covers the page the
    harness returns to, and an image that is too large.
    """
    ordered = sorted(pieces, key=lambda piece: physical(piece.address))
    for piece in ordered:
        _check_place(path, piece)
    _check_overlap(path, ordered)
    kinds: dict[int, _Kind] = {}
    for piece in ordered:
        for page in _pages(piece):
            kinds[page] = kinds.get(page, _Kind(False, False)).joined(piece)
    regions: list[Region] = []
    code: list[Region] = []
    for first, last in _runs(kinds):
        inside = [piece for piece in ordered if piece.address < last + PAGE and piece.end > first]
        names = " ".join(dict.fromkeys(piece.name for piece in inside if piece.name))
        region = Region(first, _image(inside, first, last + PAGE - first), kinds[first].writable, names)
        regions.append(region)
        if kinds[first].executable:
            code.append(region)
    return tuple(regions), tuple(code)


@dataclass(frozen=True, slots=True)
class _Kind:
    """What may be done with a page besides reading it."""

    writable: bool
    executable: bool

    def joined(self, piece: Piece) -> _Kind:
        return _Kind(self.writable or piece.writable, self.executable or piece.executable)


def _pages(piece: Piece) -> range:
    return range(piece.address // PAGE * PAGE, piece.end, PAGE)


def _runs(kinds: dict[int, _Kind]) -> Iterator[tuple[int, int]]:
    """Yields (first page, last page) of each run of neighbouring pages of one kind."""
    pages = sorted(kinds)
    first = 0
    for index, page in enumerate(pages):
        after = pages[index + 1] if index + 1 < len(pages) else None
        if after != page + PAGE or kinds[after] != kinds[page]:
            yield pages[first], page
            first = index + 1


def _image(pieces: Iterable[Piece], base: int, size: int) -> bytes:
    """Puts together the bytes at ``base`` from the pieces that reach into them."""
    image = bytearray(size)
    for piece in pieces:
        start = max(piece.address, base)
        data = piece.data[start - piece.address : base + size - piece.address]
        image[start - base : start - base + len(data)] = data
    return bytes(image)


def _check_place(path: Path, piece: Piece) -> None:
    where = f"{path}: {piece.name}"
    extent = f"{piece.address:016x}-{piece.end - 1:016x}"
    if piece.address not in UNMAPPED_SEGMENTS or piece.end - 1 not in UNMAPPED_SEGMENTS:
        raise UsageError(
            where,
            "is outside the memory that needs no TLB",
            got=extent,
            expected="addresses in ffffffff80000000-ffffffffbfffffff",
            help="link the program to run in kseg0, for example at 80001000",
        )
    kept = physical(RETURN_ADDRESS)
    if physical(piece.address) < kept + PAGE and physical(piece.end - 1) >= kept:
        raise UsageError(
            where,
            "covers the page that the harness keeps for its return address",
            got=extent,
            expected=f"nothing at {RETURN_ADDRESS:016x}",
            help="link the program to another address, for example 80001000",
        )


def _check_overlap(path: Path, ordered: list[Piece]) -> None:
    """Refuses what would make the image's bytes depend on an order: two pieces over one physical byte."""
    total = sum(piece.size for piece in ordered)
    if total > LARGEST_IMAGE:
        raise UsageError(
            str(path),
            "the image is too large",
            got=f"{total} bytes",
            expected=f"at most {LARGEST_IMAGE} bytes",
            help="leave out sections that the functions under test do not use",
        )
    for piece, after in pairwise(ordered):
        if physical(piece.address) + piece.size > physical(after.address):
            raise UsageError(
                f"{path}: {after.name}",
                f"overlaps {piece.name}",
                got=f"{after.address:016x}-{after.end - 1:016x}",
                expected=f"an address after {piece.end - 1:016x}",
                help="what is loaded at different times belongs into [[segment]] tables",
            )
