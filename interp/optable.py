"""The instruction table: one row per encoding, declared beside its meaning by the ``row`` decorator.

Nothing else lists instructions: decoder and machine read the rows. A pattern writes the 32 bits
from the most significant one, 0 and 1 for fixed bits, runs of letters for fields (a reserved field is fixed zeros):

    s t d a   register numbers, bits 25..21, 20..16, 15..11, 10..6 (d also a CP0 or FP control register, a also an
              amount; in FP rows t d a hold ft fs fd)
    i j c     16-bit immediate, 26-bit jump index, code of a trap

A meaning is a pure function; its *parameters* name its operands (``of`` overrides, where encodings share a meaning).
Constants come first, then at most two registers, then ``rm``:

    mem             the Memory                       n               bytes of the access
    k               number of the control register (field d)
    i, u            immediate, sign-, zero-extended  a, a32          shift amount, shift amount + 32
    s, t, hi, lo    signed 64-bit values             c0              CP0 register (field d), signed 64-bit value
    fs, ft          raw bits, unsigned, ``fp_in`` (32 or 64) of them: the register pair or the low half is taken apart
                    and put together by the machine, so that a meaning never sees FR
    fcsr            unsigned 32-bit value of FCR31   rm              its rounding mode

It returns its *results* in the order of ``to`` (one value, or a tuple of two): d t ra hi lo c0 as signed 64-bit values,
fd fs ft as ``fp_out`` unsigned bits. ``to`` is the first operand of the syntax by default (ALU, LOAD, FLOAT). Where a
FLOAT row writes fcsr, its meaning returns the flags of ``softfloat`` instead: ``(bits, flags)`` with ``to="fd fcsr"``,
or ``(condition, flags)`` with ``to="fcsr"`` for a compare; ``fcsr.settle`` makes FCR31 of them. Of the control kinds,
BRANCH and LIKELY return the condition, JUMP True (its target is a field), INDIRECT the target address; a link is no
result of the meaning: ``to`` names its register.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache
from typing import Any, NamedTuple, TypeVar

from interp.words import sext, zext64

#: A place that holds a guest value: ("gpr", 4) ("hi", 0) ("lo", 0) ("fpr", 3) ("fcsr", 0) ("cop0", 12), or
#: ("mem", unsigned byte address).
Loc = tuple[str, int]


class Kind(StrEnum):
    """What an instruction does to the flow of control or to memory."""

    ALU = "alu"  # moves and integer arithmetic
    FLOAT = "float"  # FP arithmetic, converts, compares, MOV.fmt: odd registers and stale upper halves are open
    LOAD = "load"
    STORE = "store"
    BRANCH = "branch"  # conditional, target is a field; the slot always runs
    LIKELY = "likely"  # the same, but the slot runs only when taken
    JUMP = "jump"  # unconditional, target is a field
    INDIRECT = "indirect"  # unconditional, target in a register
    TRAP = "trap"
    SYSTEM = "system"

    @cached_property
    def has_slot(self) -> bool:
        """Whether a delay slot follows."""
        return self in (Kind.BRANCH, Kind.LIKELY, Kind.JUMP, Kind.INDIRECT)


@dataclass(eq=False)
class Row:
    """One encoding; ``pattern``, ``to`` and ``of`` are explained above.

    ``word`` names the operands that must hold a sign-extended 32-bit value, else the result is open; ``narrow`` says
    that results are such values ("always", also where there are ``word`` operands), or are where all operands are
    ("inherits").
    Widths: ``access`` in bytes that a load or store moves at most, ``fp_in`` and ``fp_out`` in bits of FPR operands.
    ``reach`` says which bytes of an aligned unit it moves: from the address on ("left"), up to it ("right"), or all.
    """

    name: str
    pattern: str
    syntax: str
    meaning: Callable[..., Any]
    kind: Kind = Kind.ALU
    to: str | None = None
    of: str | None = None
    word: str = ""
    narrow: str = ""
    access: int = 0
    reach: str = ""
    fp_in: int = 0
    fp_out: int = 0

    def __post_init__(self) -> None:
        bits = self.pattern.replace(" ", "")
        self.match = int(re.sub("[^1]", "0", bits), 2)  # the fixed bits that are set
        self.mask = int(re.sub("[a-z]", "0", bits.replace("0", "1")), 2)  # the fixed bits
        #: Letter -> (lowest bit, width).
        self.fields = {m[0][0]: (32 - m.end(), len(m[0])) for m in re.finditer(r"([a-z])\1*", bits)}
        self.operands = tuple(inspect.signature(self.meaning).parameters if self.of is None else self.of.split())
        first = self.syntax.split(",")[0] if self.kind in (Kind.ALU, Kind.LOAD, Kind.FLOAT) else ""
        self.results = tuple((first if self.to is None else self.to).split())
        status = ["fcsr"] * (self.kind is Kind.FLOAT and "fcsr" in self.results)
        #: The operands that are registers, and FCR31 where it is rewritten.
        self.reads = (*(operand for operand in self.operands if operand in REGISTERS), *status)
        constants = next((n for n, name in enumerate(self.operands) if name in REGISTERS), 0)
        #: What the meaning takes: constants, then operands from two slots, then ``rm``; and what it gives to two.
        self.bound, self.called = self.operands[:constants], self.operands[constants:]
        self.takes = (*(name for name in self.called if name != "rm"), "", "")[:2]
        self.gives = (*(("decision",) if self.kind.has_slot else self.results), "", "")[:2]
        self.links = self.kind.has_slot and bool(self.results)  # whether a return address is written: it calls
        self.narrow = self.narrow or ("always" if self.word or self.links else "")


class Insn(NamedTuple):
    """A decoded word; ``s t d a`` are raw fields, in FP rows ft = t, fs = d, fd = a.

    Widths: ``imm`` and ``uimm`` are the low 16 bits, sign- and zero-extended.
    """

    row: Row
    word: int
    s: int
    t: int
    d: int
    a: int
    imm: int
    uimm: int

    @property
    def conditional(self) -> bool:
        """Whether it can go both ways: a branch, but on no register compared with itself, nor on register 0 alone."""
        decided = "s" in self.row.reads and self.s == (self.t if "t" in self.row.reads else 0)
        return self.row.kind in (Kind.BRANCH, Kind.LIKELY) and not decided

    def target(self, address: int) -> int:
        """Absolute target (unsigned 64 bits) of the branch or jump at ``address``; meaningless for other kinds."""
        slot = zext64(address + 4)
        if self.row.kind is Kind.JUMP:
            return slot & ~0x0FFF_FFFF | (self.word & 0x03FF_FFFF) << 2
        return zext64(slot + (self.imm << 2))

    def loc(self, name: str) -> Loc:
        """The register that operand or result ``name`` stands for."""
        file, lowest, number = REGISTERS[name]
        return file, self.word >> lowest & 31 | number


#: Operand or result -> file, lowest bit of its field (32 and up: there is none), bits of its number that are fixed.
REGISTERS: dict[str, tuple[str, int, int]] = {
    "s": ("gpr", 21, 0),
    "t": ("gpr", 16, 0),
    "d": ("gpr", 11, 0),
    "ra": ("gpr", 32, 31),
    "hi": ("hi", 32, 0),
    "lo": ("lo", 32, 0),
    "ft": ("fpr", 16, 0),
    "fs": ("fpr", 11, 0),
    "fd": ("fpr", 6, 0),
    "fcsr": ("fcsr", 32, 0),
    "c0": ("cop0", 11, 0),
}

#: Every row, chapter by chapter; full once the package is imported (``interp/__init__`` imports the chapters).
ROWS: list[Row] = []
_BY_MAJOR: list[dict[int, dict[int, Row]]] = [{} for _ in range(64)]  # major opcode -> mask -> match -> row

_F = TypeVar("_F", bound=Callable[..., Any])


def row(name: str, pattern: str, syntax: str, **options: Any) -> Callable[[_F], _F]:
    """Declares the row of the function below it, which stays an ordinary function; ``options`` are fields of Row."""

    def declare(meaning: _F) -> _F:
        entry = Row(name, pattern, syntax, meaning, **options)
        ROWS.append(entry)
        _BY_MAJOR[entry.match >> 26].setdefault(entry.mask, {})[entry.match] = entry
        return meaning

    return declare


@lru_cache(1 << 16)
def decode(word: int) -> Insn | None:
    """The instruction that a 32-bit word is, or None: not MIPS III, a reserved instruction."""
    for mask, rows in _BY_MAJOR[word >> 26].items():
        if found := rows.get(word & mask):
            s, t, d, a = (word >> lowest & 31 for lowest in (21, 16, 11, 6))
            return Insn(found, word, s, t, d, a, sext(word, 16), word & 0xFFFF)
    return None
