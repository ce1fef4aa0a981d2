"""What Unicorn gets wrong, as data, and the route round it for a given program.

``FAULTS`` lists the known faults with their source and what the Unicorn leg does about each; ``probes`` in
``unicorn_probes`` show that they still occur. ``plan_route`` reads the code of a program once and says which processor
model to run it on and where to stand guard: a *wire* is an address before which the leg stops or looks at a register,
because Unicorn would execute what the chip does not have, or would not survive what comes next.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial
from itertools import pairwise

from harness.engines.base import Region
from interp.optable import Insn, Kind, decode

#: Straight runs longer than this many instructions kill the process, unless instructions are counted.
LONGEST_PLAIN_RUN = 360
#: How far below it the leg plays safe: the limit is in Unicorn's own operations, of which some instructions need more.
_RUN_MARGIN = 160


@dataclass(frozen=True, slots=True)
class Fault:
    """A known difference between Unicorn and the processor manual.

    ``source`` says how it is known, ``remedy`` what the leg does so that it cannot be mistaken for a finding.
    """

    id: str
    what: str
    source: str
    remedy: str


_MEASURED = "measured on Unicorn 2.1.4"

FAULTS: tuple[Fault, ...] = (
    Fault(
        "long-run",
        f"a run of more than about {LONGEST_PLAIN_RUN} instructions without a branch kills the process",
        _MEASURED,
        "programs with such a run are run with each instruction counted (`count=`), which ends blocks early",
    ),
    Fault(
        "memory-hook-in-slot",
        "with a memory hook, or with the virtual TLB, a load or store in a delay slot runs the branch target twice",
        _MEASURED,
        "the TLB mode stays at its default and there are no memory hooks",
    ),
    Fault(
        "slot-trap-state",
        "a trap in a delay slot leaves a pending branch behind that the next run takes",
        _MEASURED,
        "a clean context is restored before each run",
    ),
    Fault(
        "bad-fetch",
        "after a fetch from unmapped or misaligned memory the next run kills the process",
        _MEASURED,
        "register jumps are checked before they jump; after any other bad fetch the instance is thrown away",
    ),
    Fault(
        "long-conversions",
        "the R4000 model refuses conversions from and to 64-bit integers",
        _MEASURED,
        "with FR=1 the VR5432 model runs programs that contain one; with FR=0 no model does: unsupported",
    ),
    Fault(
        "foreign-opcodes",
        "both models execute some instructions that are not MIPS III",
        _MEASURED,
        "the leg stops before each word that the instruction table does not know",
    ),
    Fault(
        "sc-unchecked",
        "SC and SCD without a link fail quietly wherever they point, instead of raising an address error or a TLB miss",
        _MEASURED + "; MIPS R4000 User's Manual, 2nd ed., SC",
        "the address is checked before the instruction",
    ),
    Fault(
        "late-store-trap",
        "SWL, SWR, SDL and SDR to memory that is unmapped or read-only stop only at the end of their block",
        _MEASURED,
        "the address is checked before the instruction",
    ),
    Fault(
        "stop-in-slot",
        "a hook that stops the run in a delay slot stops it after the slot",
        _MEASURED,
        "the registers of such a stop are those that the hook saw",
    ),
    Fault(
        "hook-in-skipped-slot",
        "a hook in the slot of a likely branch runs though the branch is not taken and the slot is skipped",
        _MEASURED,
        "wires there first work out whether the branch is taken",
    ),
    Fault(
        "system-registers",
        "registers of coprocessor 0 count, are partly read-only, and change how addresses work",
        _MEASURED + "; the reference keeps them as plain storage",
        "moves to and from them are unsupported, except for the interrupt bits of Status on the R4000 model",
    ),
    Fault(
        "sc-by-value",
        "SC fails if the word has changed since LL, whoever changed it",
        _MEASURED,
        "stores between LL and SC are open in the manual: the reference notes them",
    ),
    Fault(
        "sra-wide",
        "SRA and SRAV of a register that is not a sign-extended word shift all 64 bits",
        _MEASURED,
        "such operands are open in the manual: the reference notes them",
    ),
    Fault(
        "quiet-nan",
        "quiet NaNs, denormals and conversions out of range give a result where the chip traps",
        _MEASURED + "; MIPS R4000 User's Manual, 2nd ed., chapter 7",
        "the reference traps as unimplemented, and the state does not count",
    ),
    Fault(
        "flush-to-zero",
        "with FS set, tiny results become zero in every rounding mode and raise no flag",
        _MEASURED + "; VR5000 User's Manual, table 8-4",
        "none: a state with FS set and a tiny result makes the references disagree, and does not count",
    ),
)


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

_Listing = list[tuple[int, Insn | None]]


def plan_route(code: tuple[Region, ...], fr: bool) -> Route:
    """Reads all words of ``code`` and plans how to run it with the given FR bit.

    Data between the functions is read as code too; that costs nothing, since control does not get there.
    """
    starts = {region.address for region in code}
    ends = {region: region.end if region.end in starts else region.address + _unpadded(region.data) for region in code}
    listings = [[(address, decode(word)) for address, word in _words(region, ends[region])] for region in code]
    instructions = [insn for listing in listings for _, insn in listing if insn is not None]
    if fr and any(map(is_long_conversion, instructions)):
        model, status = "VR5432", _STATUS_LONG
    else:
        model, status = "R4000", _STATUS_FR1 if fr else _STATUS_FR0
    wires: list[Wire] = []
    for listing in listings:
        likely = {address + 4: insn for address, insn in listing if insn is not None and insn.row.kind is Kind.LIKELY}
        for address, insn in listing:
            if insn is None:
                _add_reserved(wires, address, likely.get(address))
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


def _add_reserved(wires: list[Wire], address: int, likely: Insn | None) -> None:
    """Adds a wire before a word that is no instruction; neighbours share one, since data makes long runs of them."""
    last = wires[-1] if wires else None
    plain = last is not None and last.trap == "reserved-instruction" and last.likely is None and likely is None
    if last is not None and plain and last.last == address - 4:
        wires[-1] = replace(last, last=address)
    else:
        wires.append(Wire(Guard.TRAP, address, address, trap="reserved-instruction", likely=likely))


def _longest_run(listing: _Listing) -> int:
    """Gives the length of the longest run of words without a branch."""
    longest = run = 0
    for _, insn in listing:
        run = 0 if insn is None or insn.row.kind.has_slot else run + 1
        longest = max(longest, run)
    return longest


def _slot_wires(listing: _Listing) -> Iterator[Wire]:
    """Yields a wire before each branch that has another in its slot: no leg runs these."""
    for (address, insn), (_, slot) in pairwise(listing):
        if insn is not None and slot is not None and insn.row.kind.has_slot and slot.row.kind.has_slot:
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
