"""From instructions to blocks of small operations on one list of values.

Every value that a row reads or writes has a *slot* in one list: registers, the outcome of a branch, constants of the
code. An op is (function, result slot, operand slot, operand slot), so that all instructions run through the same
``r[d] = op(r[a], r[b])``. An instruction is usually one op; halves and pairs of FPRs, links and checks of what is
open are further ops round it. A delay slot stands between the decision of its branch and the end of its block.
"""

from __future__ import annotations

from collections.abc import Callable, Container
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from interp.events import GuestTrap, open_, trap
from interp.memory import Memory
from interp.optable import Insn, Kind, Loc, decode
from interp.words import pair, sext32, sext64, with_low32, zext32, zext64

# Slots: the general registers 0..31, then these, then one per constant. SINK takes what register 0 would; STALE + n
# says that the upper half of FPR n is undefined.
SINK, HI, LO, FCSR, OUTCOME, X, Y, ZERO, ONE = range(32, 41)
FPR, STALE, COP0, CONSTANTS = 41, 73, 105, 137
STATUS, CU1, FR = COP0 + 12, 1 << 29, 1 << 26  # Status and two of its bits: coprocessor 1 usable, 64-bit FPRs
_FILES = {"gpr": 0, "hi": HI, "lo": LO, "fcsr": FCSR, "fpr": FPR, "cop0": COP0}

_LONGEST = 256  # instructions of a block
_COPROCESSOR_1 = (0x11, 0x31, 0x35, 0x39, 0x3D)  # major opcodes

Op = tuple[Callable[[Any, Any], Any], int, int, int]
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


_FIELDS: dict[str, Callable[[Insn], int]] = {
    "i": lambda insn: insn.imm,
    "u": lambda insn: insn.uimm,
    "a": lambda insn: insn.a,
    "a32": lambda insn: insn.a + 32,
    "k": lambda insn: insn.d,
    "n": lambda insn: insn.row.access,
}


def _first(x: Any, _y: Any) -> Any:
    return x


def _low(x: int, _y: int) -> int:
    return zext32(x)


def _high(x: int, _y: int) -> int:
    return x >> 32


def _check_word(x: int, _y: int) -> None:
    open_("non-canonical-operand", x != sext32(x))


def _note(kind: str, slot: int) -> Op:
    """An op that notes something open if the value in a slot is true."""
    return (lambda x, _y: open_(kind, x)), SINK, slot, ZERO


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

    return op, SINK, ZERO, ZERO


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
        self.guarded = False  # the code writes Status: coprocessor 1 may be off

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
                block.add(address - 4, (_first, OUTCOME, ONE, ZERO))
                block.exits = (address, address)
                return

    def ops(self, insn: Insn, address: int) -> list[Op]:
        """The ops of the instruction at a signed address; a branch leaves its condition or target in OUTCOME."""
        row = insn.row
        before: list[Op] = []
        after: list[Op] = []
        if row.results == ("c0",) and slot(insn.loc("c0")) == STATUS:
            self.guarded = True
            before.append((_check_status, SINK, insn.t, STATUS))
        if self.guarded and insn.word >> 26 in _COPROCESSOR_1:
            before.append((_check_usable, SINK, STATUS, ZERO))
        names, call = list(row.operands), row.meaning
        while names and names[0] not in row.reads:
            call = partial(call, self._constant(insn, names.pop(0)))
        operands = [self._operand(insn, name, (X, Y)[n % 2], before) for n, name in enumerate(names)]
        if row.kind.has_slot:
            results = [OUTCOME]
            for link in insn.targets(self._fr):
                if link in insn.sources(self._fr):
                    before.append(_note("link-register", ONE))
                after.append((_first, slot(link) or SINK, self._pooled(address + 8), ZERO))
        else:
            results = [self._result(insn, name, after) for name in row.results] or [SINK]
        a, b = [*operands, ZERO, ZERO][:2]
        return [*before, (self._adapted(call, operands, results), results[0], a, b), *after]

    def _append(self, block: Block, address: int, known: set[int], in_slot: bool = False) -> Insn | None:
        """Adds the instruction at ``address``; None where nothing behind it can run."""
        block.length += 1
        try:
            word = self._memory.fetch(address)
        except GuestTrap as miss:
            block.add(address, _raise(miss.kind, address, miss.detail))
            return None
        insn = decode(word)
        if insn is None:
            block.add(address, _raise(rejection(word), None, f"word {word:08x}"))
            return None
        if in_slot and insn.row.kind.has_slot:
            block.add(address, (_refuse_branch, SINK, ZERO, ZERO))
            return None
        row = insn.row
        if set(row.results) == {"hi", "lo"} and block.length - block.moved_at <= 2:
            block.add(address, _note("hilo-hazard", ONE))
        if row.reads in (("hi",), ("lo",)):
            block.moved_at = block.length
        words = {slot(insn.loc(name)) for name in row.word}
        block.add(address, *((_check_word, SINK, place, ZERO) for place in sorted(words - known)))
        block.add(address, *self.ops(insn, address))
        known |= words
        sources, targets = (set(map(slot, locs)) for locs in (insn.sources(self._fr), insn.targets(self._fr)))
        if row.narrow == "always" or (row.narrow == "inherits" and sources <= known) or row.links:
            known |= targets
        else:
            known -= targets - {0}
        return insn

    def _adapted(self, call: Callable[..., Any], operands: list[int], results: list[int]) -> Callable[[Any, Any], Any]:
        """``call`` as a function of two operands with one result: here a third one is fetched, a second one put."""
        r, narrow = self._r, call
        if len(operands) == 3:
            third = operands[2]
            narrow = lambda x, y: call(x, y, r[third])  # noqa: E731 - one of three forms
        elif len(operands) == 1:
            narrow = lambda x, _y: call(x)  # noqa: E731
        elif not operands:
            narrow = lambda _x, _y: call()  # noqa: E731
        if len(results) == 1:
            return narrow
        second = results[1]

        def both(x: Any, y: Any) -> Any:
            first, r[second] = narrow(x, y)
            return first

        return both

    def _constant(self, insn: Insn, name: str) -> Any:
        return self._memory if name == "mem" else _FIELDS[name](insn)

    def _pooled(self, value: int) -> int:
        if value not in self._pool:
            self._pool[value] = len(self._r)
            self._r.append(value)
        return self._pool[value]

    def _operand(self, insn: Insn, name: str, scratch: int, before: list[Op]) -> int:
        """The slot of an operand; a half or a pair of FPRs is first put together in ``scratch``."""
        if name not in insn.row.reads:
            return self._pooled(self._constant(insn, name))
        file, n = loc = insn.loc(name)
        if file != "fpr":
            return slot(loc)
        wide, arithmetic = insn.row.fp_in == 64, insn.row.kind is Kind.FLOAT
        if self._fr and wide and (arithmetic or insn.row.kind is Kind.ALU):
            before.append(_note("upper-fpr-half", STALE + n))
        elif not self._fr and n & 1 and (wide or arithmetic):
            before.append(_note("odd-fpr", ONE))
        if wide is self._fr:
            return FPR + n
        before.append((pair, scratch, FPR + (n | 1), FPR + (n & ~1)) if wide else (_low, scratch, FPR + n, ZERO))
        return scratch

    def _result(self, insn: Insn, name: str, after: list[Op]) -> int:
        """The slot that a result goes to; a half or a pair of FPRs is then taken apart from a scratch slot."""
        file, n = loc = insn.loc(name)
        if file != "fpr":
            return slot(loc) or SINK
        wide = insn.row.fp_out == 64
        if self._fr:
            after.append((_first, STALE + n, ZERO if wide else ONE, ZERO))
        elif n & 1 and (wide or insn.row.kind is Kind.FLOAT):
            after.append(_note("odd-fpr", ONE))
        if wide is self._fr:
            return FPR + n
        if wide:
            after += [(_high, FPR + (n | 1), X, ZERO), (_low, FPR + (n & ~1), X, ZERO)]
        else:
            after.append((with_low32, FPR + n, FPR + n, X))
        return X
