"""What can be read off the code without running it: constants, and functions that a pointer may lead to."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import lru_cache

from harness.program.model import Function, Program
from interp.optable import Kind, decode

_MOST_CONSTANTS = 64
_MOST_TAKEN, _MOST_LEAVES = 32, 4
#: Units: bytes; a function of at most this size that calls nothing returns whatever its arguments are, or nearly so.
_SMALL_LEAF = 96
_IMMEDIATES = frozenset(["addi", "addiu", "daddi", "daddiu", "slti", "sltiu", "andi", "ori", "xori"])


def constants_of(program: Program, function: Function) -> tuple[int, ...]:
    """The integer constants in the code of ``function``, unsigned 32-bit: immediates, and pairs that make a word."""
    constants: dict[int, None] = {}
    upper: dict[int, int] = {}
    for _, word in program.words(function):
        insn = decode(word)
        if insn is None:
            continue
        name = insn.row.name
        if name == "lui":
            upper[insn.t] = insn.uimm << 16
            constants[insn.uimm << 16] = None
        elif name in _IMMEDIATES and insn.s != 29:
            immediate = insn.uimm if name in ("andi", "ori", "xori") else insn.imm
            constants[(upper.get(insn.s, 0) + immediate) & 0xFFFF_FFFF] = None
    return tuple(constants)[:_MOST_CONSTANTS]


@lru_cache(maxsize=8)
def callable_functions(program: Program) -> tuple[int, ...]:
    """Addresses that function pointers take: functions whose address data or code hold, then small leaves."""
    starts = {function.address & 0xFFFF_FFFF: function.address for function in program.functions}
    taken: dict[int, None] = {}
    for region in program.regions:
        if region not in program.code:
            words = struct.iter_unpack(">I", region.data)
            taken |= {starts[word]: None for (word,) in words if word in starts}
    for function in program.functions:
        taken |= {starts[value]: None for value in _made_words(program, function) if value in starts}
    leaves = [function.address for function in program.functions if _is_small_leaf(program, function)]
    return tuple(dict.fromkeys((*tuple(taken)[:_MOST_TAKEN], *leaves[:_MOST_LEAVES])))


def _made_words(program: Program, function: Function) -> Iterator[int]:
    """The words that pairs of instructions of ``function`` make of two halves."""
    upper: dict[int, int] = {}
    for _, word in program.words(function):
        insn = decode(word)
        if insn is None:
            continue
        if insn.row.name == "lui":
            upper[insn.t] = insn.uimm << 16
        elif insn.row.name in ("addiu", "ori", "daddiu") and insn.s in upper:
            yield (upper[insn.s] + (insn.uimm if insn.row.name == "ori" else insn.imm)) & 0xFFFF_FFFF


def _is_small_leaf(program: Program, function: Function) -> bool:
    """Whether the function is short, has no loop and no call, touches no memory and returns to ``ra``."""
    if function.size > _SMALL_LEAF:
        return False
    returns = False
    for address, word in program.words(function):
        insn = decode(word)
        if insn is None or insn.row.links or insn.row.kind in (Kind.JUMP, Kind.LOAD, Kind.STORE, Kind.SYSTEM):
            return False
        if insn.row.kind in (Kind.BRANCH, Kind.LIKELY) and insn.target(address) <= address:
            return False
        returns = returns or (insn.row.name == "jr" and insn.s == 31)
    return returns
