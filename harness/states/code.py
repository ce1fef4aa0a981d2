"""What can be read off the code without running it: constants, and functions that a pointer may lead to."""

from __future__ import annotations

from functools import lru_cache

from harness.program.model import Function, Program
from interp.optable import Kind, decode

_MOST_CONSTANTS = 64
_MOST_FUNCTIONS = 8
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
    """Addresses that function pointers take: functions whose address the image's data hold, then small leaves."""
    starts = {function.address & 0xFFFF_FFFF: function for function in program.functions}
    taken: dict[int, None] = {}
    for region in program.regions:
        if region in program.code:
            continue
        words = memoryview(region.data).cast("B")
        for offset in range(0, len(words), 4):
            function = starts.get(int.from_bytes(words[offset : offset + 4], "big"))
            if function is not None:
                taken[function.address] = None
    leaves = [function.address for function in program.functions if _is_small_leaf(program, function)]
    return tuple(dict.fromkeys((*taken, *leaves)))[:_MOST_FUNCTIONS]


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
