"""From instructions to blocks of ops over one list of values.

An instruction is usually one op (``forms``); links and checks of what is open are further ops before or behind it. A
delay slot stands between the decision of its branch and the end of its block. What an instruction comes to is kept by
its word: half of the words of a program occur again, and a block is made again where other registers are known to hold
words.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, field
from functools import partial
from typing import Any, NamedTuple

from interp.events import GuestTrap, open_, trap
from interp.forms import COP0, FCSR, FPR, HI, LO, OUTCOME, SINK, Form, Op, closure
from interp.memory import Memory
from interp.optable import Insn, Kind, Loc, decode
from interp.words import sext32, sext64, zext64

STATUS, CU1, FR = COP0 + 12, 1 << 29, 1 << 26  # Status and two of its bits: coprocessor 1 usable, 64-bit FPRs
_FILES = {"gpr": 0, "hi": HI, "lo": LO, "fcsr": FCSR, "fpr": FPR, "cop0": COP0}

_LONGEST = 256  # instructions of a block
_COPROCESSOR_1 = (0x11, 0x31, 0x35, 0x39, 0x3D)  # major opcodes

#: What runs next: a signed address, or the (delay slot, target) of a likely branch that is taken.
Key = int | tuple[int, int]


def slot(loc: Loc) -> int:
    """The slot of a register."""
    return _FILES[loc[0]] + loc[1]


@dataclass(slots=True, eq=False)
class Block:
    """Straight-line code at signed addresses: its ops, the address of each, and what runs next."""

    key: Key
    start: int
    length: int = 0  # instructions
    ops: list[Op] = field(default_factory=list)
    addresses: list[int] = field(default_factory=list)
    exits: tuple[Key, Key] | None = None  # not taken, taken; None: the outcome is the address
    moved_at: int = -2  # its length at the last MFHI or MFLO
    branch: int | None = None  # address of the conditional branch that ends it
    words: frozenset[int] = frozenset((0,))  # slots that surely hold sign-extended words at its end
    instructions: frozenset[int] = frozenset()  # unsigned addresses
    following: dict[Key, Block] = field(default_factory=dict)  # what ran next so far

    def add(self, address: int, *ops: Op) -> None:
        """Appends ops of the instruction at ``address``."""
        self.ops += ops
        self.addresses += [address] * len(ops)


class _Prepared(NamedTuple):
    """What an instruction comes to wherever it stands: its ops but for a link, and slots of registers."""

    insn: Insn
    ops: tuple[Op, ...]
    words: frozenset[int]  # that must hold sign-extended words
    targets: frozenset[int]  # but for register 0
    narrowing: frozenset[int] | None  # the targets are such words if these slots are; None: nobody knows


_NOWHERE: frozenset[int] = frozenset()
_PLAIN = Form(("", ""))  # the meaning is the op

_FIELDS: dict[str, Callable[[Insn], int]] = {
    "i": lambda insn: insn.imm,
    "u": lambda insn: insn.uimm,
    "a": lambda insn: insn.a,
    "a32": lambda insn: insn.a + 32,
    "k": lambda insn: insn.d,
    "n": lambda insn: insn.row.access,
}


def _jump(_x: Any, _y: Any) -> bool:
    return True


def _check_word(x: int, _y: int) -> None:
    open_("non-canonical-operand", x != sext32(x))


def _note(kind: str) -> Op:
    """An op that notes something open."""
    return (lambda _x, _y: open_(kind, True)), SINK, 0, 0


def _check_usable(status: int, _y: int) -> None:
    trap("coprocessor-unusable", (status & CU1) == 0)


def _check_status(new: int, old: int) -> None:
    trap("refused", (new ^ old) & FR)


def _refuse_branch(_x: Any, _y: Any) -> None:
    open_("branch-in-delay-slot", True)
    trap("refused", True)


def _raise(kind: str, fault_address: int | None, detail: str) -> Op:
    """An op that traps."""

    def op(_x: Any, _y: Any) -> None:
        raise GuestTrap(kind, fault_address, detail)

    return op, SINK, 0, 0


def rejection(word: int) -> str:
    """The trap that a word outside MIPS III raises: coprocessor 2 is absent, reserved FP operations have their own."""
    major = word >> 26
    if major in (0x12, 0x32, 0x36, 0x3A, 0x3E):
        return "coprocessor-unusable"
    return "unimplemented-operation" if major == 0x11 and word >> 25 & 1 else "reserved-instruction"


class Assembler:
    """Makes blocks over the slots ``r`` of one machine, whose list grows by the constants of the code."""

    def __init__(self, memory: Memory, r: list[Any], fr: bool) -> None:
        self._memory = memory
        self._r = r
        self._fr = fr
        self._pool: dict[int, int] = {}  # constant -> slot
        self._prepared: dict[int, _Prepared] = {}  # by word
        self._guarded = False

    @property
    def guarded(self) -> bool:
        """Whether the code writes Status, so that coprocessor 1 may be off."""
        return self._guarded

    @guarded.setter
    def guarded(self, guarded: bool) -> None:
        if guarded is not self._guarded:
            self._guarded = guarded
            self._prepared.clear()

    def block(self, key: Key, words: frozenset[int], ends: Container[int]) -> Block:
        """The block at ``key``: it ends with a branch, before one of ``ends``, or at a word that cannot run.

        ``words`` are slots that surely hold sign-extended words at its start: these operands need no check.
        """
        address, target = key if isinstance(key, tuple) else (key, None)
        block = Block(key, address)
        known = set(words)
        if target is None:
            self._fill(block, address, known, ends)
        else:
            self._append(block, address, known, in_slot=True)
            block.exits = (target, target)
        block.words = frozenset(known)
        block.instructions = frozenset(map(zext64, range(block.start, block.start + 4 * block.length, 4)))
        return block

    def _fill(self, block: Block, address: int, known: set[int], ends: Container[int]) -> None:
        while insn := self._append(block, address, known):
            kind, address = insn.row.kind, address + 4
            if kind.has_slot:
                taken = sext64(insn.target(address - 4))
                block.branch = address - 4 if insn.conditional else None
                if kind is Kind.LIKELY:
                    block.exits = (address + 4, (address, taken))
                else:
                    self._append(block, address, known, in_slot=True)
                    block.exits = None if kind is Kind.INDIRECT else (address + 4, taken)
                return
            if address in ends or block.length == _LONGEST:
                block.add(address - 4, (_jump, OUTCOME, 0, 0))
                block.exits = (address, address)
                return

    def _append(self, block: Block, address: int, known: set[int], in_slot: bool = False) -> Insn | None:
        """Adds the instruction at ``address``; None where nothing behind it can run."""
        block.length += 1
        try:
            word = self._memory.fetch(address)
        except GuestTrap as miss:
            block.add(address, _raise(miss.kind, address, miss.detail))
            return None
        prepared = self._prepared.get(word) or self._prepare(word)
        if prepared is None:
            block.add(address, _raise(rejection(word), None, f"word {word:08x}"))
            return None
        insn, ops, words, targets, narrowing = prepared
        row = insn.row
        if in_slot and row.kind.has_slot:
            block.add(address, (_refuse_branch, SINK, 0, 0))
            return None
        if not words <= known:
            block.add(address, *((_check_word, SINK, place, 0) for place in sorted(words - known)))
            known |= words
        if HI in targets and LO in targets and block.length - block.moved_at <= 2:
            block.add(address, _note("hilo-hazard"))
        elif row.reads in (("hi",), ("lo",)):
            block.moved_at = block.length
        block.add(address, *ops)
        if row.links:
            block.add(address, *self._links(insn, address))
        if narrowing is not None and narrowing <= known:
            known |= targets
        else:
            known -= targets
        return insn

    def ops(self, insn: Insn, address: int) -> tuple[Op, ...]:
        """The ops of the instruction at a signed address; a branch leaves its condition or target in OUTCOME."""
        prepared = self._prepared.get(insn.word) or self._prepare(insn.word)
        assert prepared is not None
        return prepared.ops + self._links(insn, address)

    def _links(self, insn: Insn, address: int) -> tuple[Op, ...]:
        if not insn.row.links:
            return ()
        (link,) = insn.targets(self._fr)
        constant = self._pooled(address + 8)
        return (((lambda x, _y: x), slot(link) or SINK, constant, 0),)

    def _prepare(self, word: int) -> _Prepared | None:
        insn = decode(word)
        if insn is None:
            return None
        row = insn.row
        before = self._notes(insn)
        if row.results == ("c0",) and slot(insn.loc("c0")) == STATUS:
            self.guarded = True
            before.append((_check_status, SINK, insn.t, STATUS))
        if self.guarded and word >> 26 in _COPROCESSOR_1:
            before.append((_check_usable, SINK, STATUS, 0))
        targets = self._slots(insn.targets(self._fr)) - {0}
        words = self._slots(map(insn.loc, row.word)) if row.word else _NOWHERE
        narrowing = _NOWHERE if row.narrow == "always" or row.links else None
        if row.narrow == "inherits":
            narrowing = self._slots(insn.sources(self._fr))
        prepared = self._prepared[word] = _Prepared(insn, (*before, self._op(insn)), words, targets, narrowing)
        return prepared

    def _slots(self, locs: Iterable[Loc]) -> frozenset[int]:
        return frozenset([slot(loc) for loc in locs])

    def _notes(self, insn: Insn) -> list[Op]:
        """What is open whatever the values are."""
        row = insn.row
        if row.links and set(insn.targets(self._fr)) & set(insn.sources(self._fr)):
            return [_note("link-register")]
        if self._fr or not (row.fp_in or row.fp_out):
            return []
        odd = [
            bits == 64 or row.kind is Kind.FLOAT
            for names, bits in ((row.reads, row.fp_in), (row.results, row.fp_out))
            for name in names
            if name in ("fs", "ft", "fd") and insn.loc(name)[1] & 1
        ]
        return [_note("odd-fpr")] if any(odd) else []

    def _op(self, insn: Insn) -> Op:
        """The op of the meaning itself."""
        row = insn.row
        names, call = list(row.operands), row.meaning
        while names and names[0] not in row.reads:
            call = partial(call, self._constant(insn, names.pop(0)))
        operands = [self._operand(insn, name) for name in names if name != "rm"]
        view, result, second = "", OUTCOME if row.kind.has_slot else SINK, 0
        status = ""
        if row.results and not row.kind.has_slot:
            view, result, second = self._place(insn, row.results[0], row.fp_out)
            result = result or SINK
            if row.kind is Kind.FLOAT and "fcsr" in row.results:
                status = "flags" if view or result != FCSR else "condition"
            elif len(row.results) == 2:
                status, second = "second", slot(insn.loc(row.results[1]))
        form = Form(tuple(operand[0] for operand in operands), view, status, "rm" in names)
        (_, a, a_high), (_, b, b_high) = [*operands, ("", 0, 0), ("", 0, 0)][:2]
        if form != _PLAIN:
            call = closure(form)(call, self._r, a_high, b_high, result, second, row.fp_out)
        return call, result, a, b

    def _operand(self, insn: Insn, name: str) -> tuple[str, int, int]:
        """View, slot and slot of the high word of an operand."""
        if name in insn.row.reads:
            view, place, high = self._place(insn, name, insn.row.fp_in)
            return ("bits" if view == "whole" and insn.row.kind is Kind.STORE else view), place, high
        return "", self._pooled(self._constant(insn, name)), 0

    def _place(self, insn: Insn, name: str, bits: int) -> tuple[str, int, int]:
        """View, slot and slot of the high word of a register."""
        file, n = loc = insn.loc(name)
        if file == "fpr" and self._fr:
            return "whole" if bits == 64 else "low", FPR + n, 0
        if file == "fpr" and bits == 64:
            return "pair", FPR + (n & ~1), FPR + (n | 1)
        return "", slot(loc), 0

    def _constant(self, insn: Insn, name: str) -> Any:
        return self._memory if name == "mem" else _FIELDS[name](insn)

    def _pooled(self, value: int) -> int:
        if value not in self._pool:
            self._pool[value] = len(self._r)
            self._r.append(value)
        return self._pool[value]
