"""From instructions to blocks of ops over one list of values.

An instruction is usually one op (``forms``); links and checks of what is open are further ops before or behind it. A
delay slot stands between the decision of its branch and the end of its block. What an instruction comes to is kept by
its word: half of the words of a program occur again, and a block is made again where other slots are known to be sound.

A slot is *sound* if it needs no check: a general register, HI or LO that holds a sign-extended word, and Status while
coprocessor 1 is usable. Sets of slots are bits of a number, bit n for slot n.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache, partial
from typing import Any, NamedTuple

from interp.events import GuestTrap, open_, trap
from interp.forms import COP0, DECISION, FCSR, FLOATS, HI, LO, NOTHING, OUTCOME, SINK, WORD, Floats, Op, form_of
from interp.memory import Memory
from interp.optable import REGISTERS, Insn, Kind, Loc, decode
from interp.words import sext32, sext64

STATUS, CU1, FR = COP0 + 12, 1 << 29, 1 << 26  # Status and two of its bits: coprocessor 1 usable, 64-bit FPRs
_FILES = {"gpr": 0, "hi": HI, "lo": LO, "fcsr": FCSR, "fpr": WORD, "cop0": COP0}  #: slots of the registers 0
_REGISTERS = {name: (_FILES[file], *field) for name, (file, *field) in REGISTERS.items()}
_REGISTERS |= {NOTHING: (SINK, 32, 0), DECISION: (OUTCOME, 32, 0)}

_LONGEST = 256  # instructions of a block
_COPROCESSOR_1 = (0x11, 0x31, 0x35, 0x39, 0x3D)  # major opcodes
_HI_AND_LO = 1 << HI | 1 << LO

#: What runs next: a signed address, or the (delay slot, target) of a likely branch that is taken.
Key = int | tuple[int, int]


@dataclass(slots=True, eq=False)
class Block:
    """Straight-line code at signed addresses: its ops, the address of each, and what runs next."""

    key: Key
    start: int
    sound: int = 1  # what is so at its end; while it is made, so far
    length: int = 0  # instructions
    ops: list[Op] = field(default_factory=list)
    addresses: list[int] = field(default_factory=list)  # of the instruction of each op
    exits: tuple[Key, Key] | None = None  # not taken, taken; None: the outcome is the address
    branch: int | None = None  # address of the conditional branch that ends it
    moved_at: int = -2  # its length at the last MFHI or MFLO
    following: dict[int, Block] = field(default_factory=dict)  # by outcome, what ran next so far

    def add(self, address: int, ops: Sequence[Op]) -> None:
        """Appends ops of the instruction at ``address``."""
        self.ops += ops
        self.addresses += [address] * len(ops)

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


_FIELDS: dict[str, Callable[[Insn], int]] = {
    "i": lambda insn: insn.imm,
    "u": lambda insn: insn.uimm,
    "a": lambda insn: insn.a,
    "a32": lambda insn: insn.a + 32,
    "k": lambda insn: insn.d,
    "n": lambda insn: insn.row.access,
}


def slot(loc: Loc) -> int:
    """The slot of a register, of a floating-point register that of its word."""
    return _FILES[loc[0]] + loc[1]


def _copy(value: Any, _y: Any) -> Any:
    return value


def _check_word(x: int, _y: int) -> None:
    open_("non-canonical-operand", x != sext32(x))


def _check_usable(status: int, _y: int) -> None:
    trap("coprocessor-unusable", (status & CU1) == 0)


def _check_status(new: int, old: int) -> None:
    trap("refused", (new ^ old) & FR)


def _refuse_branch(_x: Any, _y: Any) -> None:
    open_("branch-in-delay-slot", True)
    trap("refused", True)


def _note(kind: str, _y: Any) -> None:
    open_(kind, True)


def _raise(miss: GuestTrap, _y: Any) -> None:
    raise GuestTrap(miss.kind, miss.fault_address, miss.detail)


def _place(word: int, name: str) -> int:
    """The slot of the register that an operand or result of an instruction word stands for."""
    first, lowest, number = _REGISTERS[name]
    return first + (word >> lowest & 31 | number)


def _places(word: int, names: Iterable[str]) -> int:
    """The set of the slots of operands or results."""
    slots = 0
    for name in names:
        slots |= 1 << _place(word, name)
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
        self._prepared: dict[int, Prepared] = {}  # by word

    def block(self, key: Key, sound: int, ends: Container[int]) -> Block:
        """The block at ``key``: it ends with a branch, before one of ``ends``, or at a word that cannot run.

        ``sound`` is what is so at its start.
        """
        address, target = key if isinstance(key, tuple) else (key, None)
        block = Block(key, address, sound)
        insn = self._append(block, address, in_slot=target is not None)
        if target is not None:
            block.exits = target, target
            return block
        while insn and not insn.row.kind.has_slot:
            address += 4
            if address in ends or block.length == _LONGEST:
                block.add(address - 4, [(_copy, OUTCOME, self._pooled(1), 0)])
                block.exits = address, address
                return block
            insn = self._append(block, address)
        if insn:
            self._branch(block, address, insn)
        return block

    def _branch(self, block: Block, address: int, insn: Insn) -> None:
        """Ends a block with the branch or jump at ``address`` and its delay slot."""
        taken = sext64(insn.target(address))
        block.branch = address if insn.conditional else None
        if insn.row.kind is Kind.LIKELY:
            block.exits = address + 8, (address + 4, taken)
            return
        self._append(block, address + 4, in_slot=True)
        block.exits = None if insn.row.kind is Kind.INDIRECT else (address + 8, taken)

    def _append(self, block: Block, address: int, in_slot: bool = False) -> Insn | None:
        """Adds the instruction at ``address``; None where nothing behind it can run."""
        block.length += 1
        try:
            insn, ops, needed, written, narrowing = self.prepared(address)
        except GuestTrap as miss:
            block.add(address, [(_raise, SINK, self._pooled(miss), 0)])
            return None
        if in_slot and insn.row.kind.has_slot:
            block.add(address, [(_refuse_branch, SINK, 0, 0)])
            return None
        if missing := needed & ~block.sound:
            block.add(address, _checks(missing))
        if written & _HI_AND_LO == _HI_AND_LO and block.length - block.moved_at <= 2:
            block.add(address, [(_note, SINK, self._pooled("hilo-hazard"), 0)])
        elif insn.row.reads in (("hi",), ("lo",)):
            block.moved_at = block.length
        block.add(address, ops)
        if insn.row.links:
            to = _place(insn.word, insn.row.results[0]) or SINK
            block.add(address, [(_copy, to, self._pooled(address + 8), 0)])
        sound = block.sound | needed
        block.sound = sound & ~written if narrowing & ~sound else sound | written
        return insn

    def prepared(self, address: int) -> Prepared:
        """What the instruction at a signed address comes to. Raises: what its fetch raises, or the ``rejection``."""
        word = self._memory.fetch(address)
        prepared = self._prepared.get(word)
        if prepared is None:
            insn = decode(word)
            if insn is None:
                raise GuestTrap(rejection(word), None, f"word {word:08x}")
            prepared = self._prepared[word] = self.prepare(insn)
        return prepared

    def prepare(self, insn: Insn) -> Prepared:
        """What an instruction comes to."""
        row, word = insn.row, insn.word
        ops: list[Op] = []
        if kind := self._open(insn):
            ops.append((_note, SINK, self._pooled(kind), 0))
        needed = _places(word, row.word)
        if word >> 26 in _COPROCESSOR_1:
            needed |= 1 << STATUS
        written = _places(word, row.results) & ~1
        if written & 1 << STATUS:
            ops.append((_check_status, SINK, insn.t, STATUS))
        narrowing = 0 if row.narrow or row.links else -1
        if row.narrow == "inherits":
            narrowing = _places(word, row.reads)
        return Prepared(insn, (*ops, self._op(insn)), needed, written, narrowing)

    def _open(self, insn: Insn) -> str:
        """What is open whatever the values are, if anything."""
        row, word = insn.row, insn.word
        if row.links and _places(word, row.results) & _places(word, row.reads):
            return "link-register"
        if self.floats.fr or not (row.kind is Kind.FLOAT or row.fp_in == 64 or row.fp_out == 64):
            return ""
        odd = any(_place(word, name) & 1 for name in row.reads + row.results if name in FLOATS)
        return "odd-fpr" if odd else ""

    def _op(self, insn: Insn) -> Op:
        """The op of the meaning itself."""
        row, form = insn.row, form_of(insn.row)
        call = row.meaning
        if form.bound:
            call = partial(call, *(self._constant(insn, name) for name in form.bound))
        a, b = [self._slot(insn, name, row.fp_in) for name in form.takes]
        d, second = [self._slot(insn, name, row.fp_out) or SINK for name in form.gives]
        if form.make:
            call = form.make(call, self.floats, d, a, b, second, self._ieee)
        return call, d, a, b

    def _slot(self, insn: Insn, name: str, width: int) -> int:
        """The slot of an operand or result; ``width`` is that of floating-point registers."""
        if name not in _REGISTERS:
            return self._pooled(self._constant(insn, name))
        place = _place(insn.word, name)
        return self.floats.views[place][0] if width == 64 and name in FLOATS else place

    def _constant(self, insn: Insn, name: str) -> Any:
        return self._memory if name == "mem" else _FIELDS[name](insn)

    def _added(self, value: Any) -> int:
        """The slot of a constant."""
        self.floats.r.append(value)
        return len(self.floats.r) - 1


def _checks(slots: int) -> list[Op]:
    """Ops that see whether slots are sound, and note or trap where not."""
    return [
        (_check_usable if place == STATUS else _check_word, SINK, place, 0)
        for place in range(slots.bit_length())
        if slots >> place & 1
    ]
