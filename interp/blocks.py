"""From instructions to blocks of ops over one list of values.

An instruction is usually one op (``forms``); links and checks of what is open are further ops before or behind it. A
delay slot stands between the decision of its branch and the end of its block. What an instruction comes to is kept by
its word: half of the words of a program occur again, and a block is made again where other slots are known to be sound.

A slot is *sound* if it needs no check: a general register, HI or LO that holds a sign-extended word, and Status while
coprocessor 1 is usable. Sets of slots are bits of a number, bit n for slot n.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from functools import cache, partial
from operator import or_  # with register 0 it moves a value, as in an assembler
from typing import Any, NamedTuple

from interp.events import GuestTrap, open_, trap
from interp.forms import COP0, FCSR, FILES, HI, LO, OUTCOME, SINK, WORD, Floats, Op, closure_of
from interp.memory import Memory
from interp.optable import REGISTERS, Insn, Kind, decode
from interp.words import sext32, sext64, zext64

STATUS, CU1, FR = COP0 + 12, 1 << 29, 1 << 26  # Status and two of its bits: coprocessor 1 usable, 64-bit FPRs
_REGISTERS = {name: (FILES[file], *field) for name, (file, *field) in REGISTERS.items()}
_REGISTERS |= {"decision": (OUTCOME, 32, 0), "": (SINK, 32, 0)}  # what a branch gives, and what is not there

_LONGEST = 256  # instructions of a block
_HI_AND_LO = 1 << HI | 1 << LO
_ODD_FPRS = 0xAAAA_AAAA << WORD
_COPROCESSOR_1 = 0xFFFF_FFFF << WORD | 1 << FCSR  # what only its instructions name

#: What runs next: a signed address, or the (delay slot, target) of a likely branch that is taken.
Key = int | tuple[int, int]


@dataclass(slots=True, eq=False)
class Block:
    """Straight-line code: its ops, the unsigned address of the instruction of each, and what runs next."""

    key: Key
    sound: int = 1  # what is so at its end; while it is made, so far
    length: int = 0  # instructions
    ops: list[Op] = field(default_factory=list)
    addresses: list[int] = field(default_factory=list)
    exits: tuple[Key, Key] | None = None  # not taken, taken; None: the outcome is the address
    branch: int | None = None  # unsigned address of the conditional branch that ends it
    moved_at: int = -2  # its length at the last MFHI or MFLO
    following: dict[int, Block] = field(default_factory=dict)  # by outcome, what ran next so far

    def add(self, address: int, ops: tuple[Op, ...]) -> None:
        """Appends ops of the instruction at a signed address."""
        self.ops += ops
        self.addresses += [zext64(address)] * len(ops)

    def next(self, outcome: Any) -> Any:
        """The key of what runs behind it, by the value in OUTCOME."""
        return self.exits[outcome] if self.exits else outcome


class Prepared(NamedTuple):
    """What an instruction comes to wherever it stands: its ops but for a link, and sets of slots."""

    insn: Insn
    ops: tuple[Op, ...]
    needed: int  # what must be sound
    written: int  # but for register 0
    narrowing: int  # what is written becomes sound if these are; -1: never


def _check_word(x: int, _y: int) -> None:
    open_("non-canonical-operand", x != sext32(x))


def _check_usable(status: int, _y: int) -> None:
    trap("coprocessor-unusable", (status & CU1) == 0)


def _check_status(new: int, old: int) -> None:
    trap("refused", (new ^ old) & FR)


def _raise(miss: GuestTrap, _y: Any) -> None:
    raise replace(miss)


def _places(word: int, names: Iterable[str]) -> int:
    """The set of the slots of operands or results of an instruction word."""
    slots = 0
    for name in names:
        first, lowest, number = _REGISTERS[name]
        slots |= 1 << first + (word >> lowest & 31 | number)
    return slots


def rejection(word: int) -> str:
    """The trap that a word outside MIPS III raises: coprocessor 2 is absent, reserved FP operations have their own."""
    major = word >> 26
    if major in (0x12, 0x32, 0x36, 0x3A, 0x3E):
        return "coprocessor-unusable"
    return "unimplemented-operation" if major == 0x11 and word >> 25 & 1 else "reserved-instruction"


class Assembler:
    """Makes blocks over the slots ``r`` of one machine, whose list grows by the constants of the code."""

    def __init__(self, memory: Memory, r: list[Any], fr: bool, ieee: bool = False) -> None:
        self._memory = memory
        self.floats = Floats(r, fr)
        self._ieee = ieee
        self._pooled = cache(self._added)
        #: What the instruction of a word comes to.
        self.prepare = cache(self._made)

    def block(self, key: Key, sound: int, end: int) -> Block:
        """The block at ``key``: it ends with a branch, before the address ``end``, or at a word that cannot run.

        ``sound`` is what is so at its start. The block at ``end`` is longer than any fuel.
        """
        address, target = key if isinstance(key, tuple) else (key, None)
        if key == end:
            return Block(key, length=sys.maxsize, addresses=[zext64(address)])
        block = Block(key, sound)
        insn = self._append(block, address, in_slot=target is not None)
        while target is None and insn and not insn.row.kind.has_slot:
            address += 4
            if address == end or block.length == _LONGEST:
                block.add(address - 4, ((or_, OUTCOME, self._pooled(1), 0),))
                target = address
            else:
                insn = self._append(block, address)
        if target is not None:
            block.exits = target, target
        elif insn:
            taken = sext64(insn.target(address))
            block.branch = zext64(address) if insn.conditional else None
            if insn.row.kind is Kind.LIKELY:
                block.exits = address + 8, (address + 4, taken)
            else:
                self._append(block, address + 4, in_slot=True)
                block.exits = None if insn.row.kind is Kind.INDIRECT else (address + 8, taken)
        return block

    def _append(self, block: Block, address: int, in_slot: bool = False) -> Insn | None:
        """Adds the instruction at ``address``; None where nothing behind it can run."""
        block.length += 1
        try:
            insn, ops, needed, written, narrowing = self.prepared(address)
            if in_slot and insn.row.kind.has_slot:
                block.add(address, (self._noted("branch-in-delay-slot"),))
                raise GuestTrap("refused")
        except GuestTrap as miss:
            block.add(address, ((_raise, SINK, self._pooled(miss), 0),))
            return None
        if written & _HI_AND_LO == _HI_AND_LO and block.length - block.moved_at <= 2:
            ops = self._noted("hilo-hazard"), *ops
        elif insn.row.reads in (("hi",), ("lo",)):
            block.moved_at = block.length
        if missing := needed & ~block.sound:
            ops = *_checks(missing), *ops
        if insn.row.links:
            ops = *ops, (or_, self._slot(insn, insn.row.results[0]) or SINK, self._pooled(address + 8), 0)
        block.add(address, ops)
        sound = block.sound | needed
        block.sound = sound & ~written if narrowing & ~sound else sound | written
        return insn

    def prepared(self, address: int) -> Prepared:
        """What the instruction at a signed address comes to. Raises: what its fetch raises, or the ``rejection``."""
        return self.prepare(self._memory.fetch(address))

    def _made(self, word: int) -> Prepared:
        """What an instruction comes to. Raises: the ``rejection`` of a word that is none."""
        insn = decode(word)
        if insn is None:
            raise GuestTrap(rejection(word), None, f"word {word:08x}")
        row = insn.row
        read, written, needed = _places(word, row.reads), _places(word, row.results), _places(word, row.word)
        ops: list[Op] = []
        if row.links and read & written:
            ops.append(self._noted("link-register"))
        odd = (read | written) & _ODD_FPRS and not self.floats.fr
        if odd and (row.kind is Kind.FLOAT or 64 in (row.fp_in, row.fp_out)):
            ops.append(self._noted("odd-fpr"))
        if (read | written) & _COPROCESSOR_1:
            needed |= 1 << STATUS
        if written & 1 << STATUS:
            ops.append((_check_status, SINK, insn.t, STATUS))
        narrowing = read if row.narrow == "inherits" else 0 if row.narrow else -1
        return Prepared(insn, (*ops, self._op(insn)), needed, written & ~1, narrowing)

    def _op(self, insn: Insn) -> Op:
        """The op of the meaning itself."""
        row, call, make = insn.row, insn.row.meaning, closure_of(insn.row)
        if row.bound:
            call = partial(call, *(self._constant(insn, name) for name in row.bound))
        a, b = [self._slot(insn, name, row.fp_in) for name in row.takes]
        d, second = [self._slot(insn, name, row.fp_out) or SINK for name in row.gives]
        if make:
            call = make(call, self.floats, d, a, b, second, self._ieee)
        return call, d, a, b

    def _slot(self, insn: Insn, name: str, width: int = 0) -> int:
        """The slot of an operand or result; ``width`` is that of floating-point registers."""
        if name not in _REGISTERS:
            return self._pooled(self._constant(insn, name))
        first, lowest, number = _REGISTERS[name]
        place = first + (insn.word >> lowest & 31 | number)
        return self.floats.views.get(place, (place,))[0] if width == 64 else place

    def _constant(self, insn: Insn, name: str) -> Any:
        """The value of an operand that is no register."""
        if name == "mem":
            return self._memory
        return {"i": insn.imm, "u": insn.uimm, "a": insn.a, "a32": insn.a + 32, "k": insn.d, "n": insn.row.access}[name]

    def _noted(self, kind: str) -> Op:
        """The op that notes something open."""
        return open_, SINK, self._pooled(kind), self._pooled(True)

    def _added(self, value: Any) -> int:
        """The slot of a constant."""
        self.floats.r.append(value)
        return len(self.floats.r) - 1


def _checks(slots: int) -> list[Op]:
    """Ops that see whether slots are sound, and note or trap where not."""
    places = [place for place in range(slots.bit_length()) if slots >> place & 1]
    return [(_check_usable if place == STATUS else _check_word, SINK, place, 0) for place in places]
