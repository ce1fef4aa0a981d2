"""What a function reads before anybody wrote it: its shape.

A *place* is where an input word lies when the function is called: a register, a stack slot of the caller, a field of
an object that a pointer leads to, or a variable of the image. A *block* is one such object, placed in the arena. A
*shape* is all places that a function was seen to read, what each of them is for, and the blocks that the pointers
among them lead to.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from harness.abi import GP, GPR_NAMES, RA, SP, Abi
from harness.engines.base import MachineState
from harness.program.model import Function

#: Registers that a call sets up and that are never drawn: zero, the two of the operating system, gp, sp, ra.
FIXED_GPRS = frozenset((0, 26, 27, GP, SP, RA))


class Place(NamedTuple):
    """Where an input word lies.

    Units: ``offset`` in bytes: from the address of the block (room ``block``, its number in ``number``), from ``sp`` at
    the call (room ``stack``), or a guest address (room ``image``). Rooms ``gpr``, ``fpr``, ``hi`` and ``lo`` have the
    register number in ``number``, and ``offset`` counts bytes from the most significant one. ``size`` is 1, 2, 4 or 8
    bytes, as it was read.
    """

    room: str
    number: int
    offset: int
    size: int

    def overlaps(self, other: Place) -> bool:
        """Whether the two have a byte in common."""
        if self[:2] != other[:2]:
            return False
        return self.offset < other.offset + other.size and other.offset < self.offset + self.size

    def written_over(self, value: int, other: Place, new: int) -> int:
        """What the place holds if it held ``value`` and ``new`` is written at ``other``, which overlaps it."""
        held = bytearray((value & (1 << 8 * self.size) - 1).to_bytes(self.size, "big"))
        written = (new & (1 << 8 * other.size) - 1).to_bytes(other.size, "big")
        for index, byte in enumerate(written, other.offset - self.offset):
            if 0 <= index < self.size:
                held[index] = byte
        return int.from_bytes(held, "big")

    def __str__(self) -> str:
        if self.room in ("gpr", "fpr", "hi", "lo"):
            names = {"gpr": GPR_NAMES[self.number], "fpr": f"f{self.number}"}
            is_whole = self.size == 8 or (self.room == "fpr" and self.size == 4 and not self.offset)
            part = "" if is_whole else f"[{self.offset}..{self.offset + self.size - 1}]"
            return names.get(self.room, self.room) + part
        if self.room == "stack":
            return f"sp{self.offset:+#x}"
        return f"{self.offset:016x}" if self.room == "image" else f"{self.offset:+#x}"


class Kind(StrEnum):
    """What an input word is for, as far as the runs have shown."""

    SCALAR = "integer"
    COUNT = "count"  # an index or a bound of a loop: kept small
    POINTER = "pointer"
    END = "end"  # an address in a block that is only compared with others: the end of a buffer
    FUNCTION = "function"
    FLOAT = "float"
    DOUBLE = "double"
    DOUBLE_HIGH = "double, high word"
    DOUBLE_LOW = "double, low word"


@dataclass(frozen=True, slots=True)
class Input:
    """One word that the function reads.

    Units: ``limit`` bounds a COUNT (0 to ``limit`` - 1); ``block`` is the number of the block that a POINTER or END
    leads to. ``nullable`` pointers were compared with zero. ``wide`` registers are used by 64-bit operations and
    ``narrow`` ones by 32-bit operations, which need canonical values; ``signed`` ones were loaded or compared as such.
    ``favourites`` are unsigned values that the code compares the word with, and their neighbours. ``values`` are all
    values that it may take, if the user said which, and the functions that a FUNCTION leads to; ``fixed`` words are
    always null: the ends of linked structures.
    """

    place: Place
    kind: Kind = Kind.SCALAR
    block: int = -1
    nullable: bool = False
    limit: int = 0
    wide: bool = False
    narrow: bool = False
    fixed: bool = False
    signed: bool = False
    values: range | tuple[int, ...] = ()
    favourites: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Block:
    """One object in the arena.

    Units: bytes ``low`` (at most 0) to ``high`` from ``address``, which is what pointers to it hold, were touched;
    ``spare`` bytes above ``high`` belong to it too. ``alignment`` is the widest aligned access seen; ``depth`` counts
    the pointers on the way to it.
    """

    number: int
    address: int
    low: int
    high: int
    spare: int
    alignment: int
    depth: int


#: One explicit word of a draft: a place and the unsigned value it takes; of a pointer, 0, ``NOT_NULL`` for its own
#: block, ``TO_BLOCK`` plus the number of another one, or ``SHIFTED`` plus a number of bytes below ``MOST_SHIFT`` behind
#: the begin of its own; of an end, its distance in bytes from the block's address, or ``AT_BLOCK`` plus the number of
#: another one.
Edit = tuple[Place, int]
NOT_NULL = 1
TO_BLOCK = 2
SHIFTED, MOST_SHIFT = 0x100, 16
AT_BLOCK = 0x1_0000


@dataclass(frozen=True, slots=True)
class Shape:
    """What a function reads, and a base state in which a caller would call it.

    ``functions`` are the addresses that function pointers take, ``constants`` the values that occur in the code.
    ``kept`` are sets of explicit words, each of which led the function along a way of its own while the shape was
    searched; ``notes`` say where the search gave up. ``tameness`` is 0 where any value may be drawn, 1 or 2 where most
    values must be small for the function to run to its end, 3 where all but one must be those of a kept run. With
    ``rings`` the function also ends when the last object of a linked structure leads to itself.
    """

    function: Function
    abi: Abi
    base: MachineState
    inputs: tuple[Input, ...]
    blocks: tuple[Block, ...]
    functions: tuple[int, ...] = ()
    constants: tuple[int, ...] = ()
    kept: tuple[tuple[Edit, ...], ...] = ()
    notes: tuple[str, ...] = ()
    tameness: int = 0
    rings: bool = False

    def __str__(self) -> str:
        """The shape as a tree: one line for each input that is no field of an object."""
        roots = [item for item in self.inputs if item.place.room != "block"]
        return "\n".join(_members(self, roots, frozenset())) or "reads no argument"


def _members(shape: Shape, items: list[Input], above: frozenset[int]) -> list[str]:
    """Describes inputs one by one; runs of equal scalars side by side become one text with a count."""
    texts: list[str] = []
    index = 0
    while index < len(items):
        item = items[index]
        length = 1
        while index + length < len(items) and _continues(item, items[index + length], length):
            length += 1
        texts.append(f"{item.place} {_describe(shape, item, above)}" + (f" x{length}" if length > 1 else ""))
        index += length
    return texts


def _continues(first: Input, later: Input, distance: int) -> bool:
    """Whether ``later`` is the element ``distance`` of an array of scalars that starts with ``first``."""
    if first.kind in (Kind.POINTER, Kind.END, Kind.FUNCTION) or first.place.room not in ("block", "image"):
        return False
    place = first.place._replace(offset=first.place.offset + distance * first.place.size)
    return later.place == place and later.kind is first.kind


def _describe(shape: Shape, item: Input, above: frozenset[int]) -> str:
    if item.fixed:
        return "null"
    if item.kind is Kind.SCALAR:
        return f"u{8 * item.place.size}"
    if item.kind is Kind.COUNT:
        return f"below {item.limit}"
    if item.kind is Kind.END:
        return f"end in block {item.block}"
    if item.kind is not Kind.POINTER:
        return item.kind.value
    arrow = "->?" if item.nullable else "->"
    if item.block in above:
        return f"{arrow} block {item.block} again"
    fields = [inner for inner in shape.inputs if inner.place.room == "block" and inner.place.number == item.block]
    block = shape.blocks[item.block]
    texts = _members(shape, fields, above | {item.block}) or [f"{block.high - block.low} bytes written"]
    return f"{arrow} {{{', '.join(texts)}}}"
