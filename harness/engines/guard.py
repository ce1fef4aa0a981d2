"""The route round Unicorn's known faults (``faults``) for a given program.

``plan_route`` reads the code of a program once and says which processor model to run it on and where to stand guard: a
*wire* is an address before which the leg stops or looks at a register, because Unicorn would execute what the chip does
not have, or would not survive what comes next.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from itertools import pairwise

from harness.engines.base import Region
from interp.blocks import rejection
from interp.optable import Insn, Kind, decode

#: Straight runs longer than this many instructions kill the process, unless instructions are counted.
LONGEST_PLAIN_RUN = 360
#: How far below it the leg plays safe: the limit is in Unicorn's own operations, of which some instructions need more.
_RUN_MARGIN = 160


class Guard(StrEnum):
    """What a wire does when control reaches it."""

    JUMP = "check the target of a register jump"
    STORE = "check the address of a store that Unicorn does not check, or too late"
    STATUS = "check that a write of Status changes interrupts only"
    TRAP = "stop: the chip raises an exception here"
    UNSUPPORTED = "stop: the chip runs this, Unicorn cannot"


@dataclass(frozen=True, slots=True)
class Wire:
    """A run of instructions to stand guard at.

    ``first`` and ``last`` are the addresses of its first and last instruction; ``insn`` is the instruction where there
    is one; ``alignment`` in bytes what a STORE demands; ``trap`` the exception of a TRAP; ``why`` is
    for people. ``likely`` is the likely branch whose slot this is.
    """

    guard: Guard
    first: int
    last: int
    insn: Insn | None = None
    alignment: int = 1
    trap: str = ""
    why: str = ""
    likely: Insn | None = None


@dataclass(frozen=True, slots=True)
class Route:
    """How to run a program on Unicorn: processor model, initial Status register, wires.

    ``counted`` says that each instruction must be counted, which is several times slower in loops than counting blocks.
    """

    model: str
    status: int
    wires: tuple[Wire, ...]
    counted: bool


#: Status with coprocessor 1 usable and FR clear or set; bit 31 is what VR5432 wants before it converts 64-bit integers.
_STATUS_FR0 = 0x2000_0000
_STATUS_FR1 = 0x2400_0000
_STATUS_LONG = 0xB400_0000

_REFUSED = frozenset({"tlbr", "tlbwi", "tlbwr", "tlbp", "eret"})
_UNCHECKED_STORES = frozenset({"sc", "scd", "swl", "swr", "sdl", "sdr"})
_ALIGNED_STORES = frozenset({"sc", "scd"})
_SYSTEM_MOVES = frozenset({"mfc0", "dmfc0", "mtc0", "dmtc0"})

#: Status is this register of coprocessor 0; its interrupt bits are IE and IM.
_STATUS = 12
INTERRUPT_BITS = 0xFF01

#: Addresses with their instruction, or with the trap of a word that is none.
_Listing = list[tuple[int, Insn | str]]


def plan_route(code: tuple[Region, ...], fr: bool) -> Route:
    """Reads all words of ``code`` and plans how to run it with the given FR bit.

    Data between the functions is read as code too; that costs nothing, since control does not get there.
    """
    starts = {region.address for region in code}
    ends = {region: region.end if region.end in starts else region.address + _unpadded(region.data) for region in code}
    listings: list[_Listing] = [
        [(address, decode(word) or rejection(word)) for address, word in _words(region, ends[region])]
        for region in code
    ]
    instructions = [insn for listing in listings for _, insn in listing if isinstance(insn, Insn)]
    if fr and any(map(is_long_conversion, instructions)):
        model, status = "VR5432", _STATUS_LONG
    else:
        model, status = "R4000", _STATUS_FR1 if fr else _STATUS_FR0
    wires: list[Wire] = []
    for listing in listings:
        likely = {
            address + 4: insn
            for address, insn in listing
            if isinstance(insn, Insn) and insn.row.kind is Kind.LIKELY
        }
        for address, insn in listing:
            if isinstance(insn, str):
                _add_rejected(wires, address, insn, likely.get(address))
            else:
                wires.extend(_wires(insn, address, fr, model, likely.get(address)))
        wires.extend(_slot_wires(listing))
    for region, end in ends.items():
        if end < region.end:
            wires.append(Wire(Guard.TRAP, end, region.end - 4, trap="tlb-fetch"))
    longest_run = max(map(_longest_run, listings), default=0)
    return Route(model, status, tuple(wires), counted=longest_run >= LONGEST_PLAIN_RUN - _RUN_MARGIN)


def is_long_conversion(insn: Insn) -> bool:
    """Whether an instruction converts from or to a 64-bit integer (CVT.L.D, CVT.S.L, TRUNC.L.S, ...)."""
    return "l" in insn.row.name.split(".")[1:]


def _unpadded(data: bytes) -> int:
    """Gives the size of a region of code without the zeros that fill its last page.

    Two zero words stay, for they may be the slot of the last jump; what runs on into the rest would only slide through
    it (zero is a `nop`) to where no code is.
    """
    return min(len(data), (len(data.rstrip(b"\0")) + 3) // 4 * 4 + 8)


def _words(region: Region, end: int) -> Iterator[tuple[int, int]]:
    for number, (word,) in enumerate(struct.iter_unpack(">I", region.data[: end - region.address])):
        yield region.address + 4 * number, word


def _add_rejected(wires: list[Wire], address: int, trap: str, likely: Insn | None) -> None:
    """Adds a wire before a word that is no instruction; neighbours share one, since data makes long runs of them."""
    last = wires[-1] if wires else None
    plain = last is not None and last.trap == trap and last.likely is None and likely is None
    if last is not None and plain and last.last == address - 4:
        wires[-1] = replace(last, last=address)
    else:
        wires.append(Wire(Guard.TRAP, address, address, trap=trap, likely=likely))


def _longest_run(listing: _Listing) -> int:
    """Gives the length of the longest run of words without a branch."""
    longest = run = 0
    for _, insn in listing:
        run = 0 if isinstance(insn, str) or insn.row.kind.has_slot else run + 1
        longest = max(longest, run)
    return longest


def _slot_wires(listing: _Listing) -> Iterator[Wire]:
    """Yields a wire before each branch that has another in its slot: no leg runs these."""
    for (address, insn), (_, slot) in pairwise(listing):
        if isinstance(insn, Insn) and isinstance(slot, Insn) and insn.row.kind.has_slot and slot.row.kind.has_slot:
            yield Wire(Guard.TRAP, address, address, trap="refused")


def _wires(insn: Insn, address: int, fr: bool, model: str, likely: Insn | None) -> Iterator[Wire]:
    """Yields what to do about one instruction for its own sake."""
    name = insn.row.name
    here = partial(Wire, first=address, last=address, insn=insn, likely=likely)
    if insn.row.kind is Kind.INDIRECT:
        yield here(Guard.JUMP)
    elif name in _UNCHECKED_STORES:
        yield here(Guard.STORE, alignment=insn.row.access if name in _ALIGNED_STORES else 1)
    elif name in _REFUSED:
        yield here(Guard.TRAP, trap="refused")
    elif is_long_conversion(insn) and not fr:
        why = f"{name} with FR=0 at {address:016x}: no processor model of Unicorn runs it"
        yield here(Guard.UNSUPPORTED, why=why)
    elif name in _SYSTEM_MOVES:
        why = f"{name} at {address:016x}: each reference has a machine of its own behind coprocessor 0"
        if name == "mtc0" and insn.d == _STATUS and model == "R4000":
            yield here(Guard.STATUS, why=why)
        elif name != "mfc0" or insn.d != _STATUS or model != "R4000":
            yield here(Guard.UNSUPPORTED, why=why)
