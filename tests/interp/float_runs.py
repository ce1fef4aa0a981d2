"""Runs one floating-point instruction on the machine: operands and FCR31 in, what it leaves out.

The whole way is judged, not the row's meaning alone: views of registers, rounding mode, FCR31, traps.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from harness.program.assembly import encode
from interp.machine import Machine
from interp.memory import PAGE, Memory
from interp.optable import Row, decode

CODE = 0xFFFF_FFFF_8000_1000
FS, FT, FD = 2, 4, 6
UNTOUCHED = 0x5A5A_5A5A_5A5A_5A5A  # what fd holds before


class Result(NamedTuple):
    """What an instruction left: fd (None without one, or untouched), FCR31, the trap, what it noted as open."""

    bits: int | None
    fcsr: int
    trap: str
    noted: tuple[str, ...]


def row_of(name: str) -> Row:
    insn = decode(encode(name))
    assert insn is not None
    return insn.row


def word_of(row: Row) -> int:
    """The instruction with its operands in FS, FT and FD."""
    numbers = {"fs": FS, "ft": FT, "fd": FD}
    return encode(row.name, **{field: numbers[field] for field in row.syntax.split(",")})


def operate(name: str, fs: int, ft: int = 0, fcsr: int = 0, ieee: bool = False) -> Result:
    """The result of one instruction, which must be the same in both views of the registers."""
    flat, paired = (_operate(row_of(name), fr, ieee, fs, ft, fcsr) for fr in (True, False))
    assert flat == paired
    return flat


@cache
def _machine(row: Row, fr: bool, ieee: bool) -> Machine:
    memory = Memory()
    memory.map(CODE, word_of(row).to_bytes(4, "big").ljust(PAGE, b"\0"), writable=False)
    return Machine(memory, fr, ieee)


def _operate(row: Row, fr: bool, ieee: bool, fs: int, ft: int, fcsr: int) -> Result:
    machine = _machine(row, fr, ieee)
    fpr = [0] * 32
    for register, value in ((FS, fs), (FT, ft), (FD, UNTOUCHED)):
        fpr[register] = value if fr else value & 0xFFFF_FFFF
        fpr[register + 1] = 0 if fr else value >> 32
    machine.set_state([0] * 32, 0, 0, fpr, fcsr)
    stop = machine.run(CODE, CODE + 4, 1)
    after = machine.get_state()
    left = after.fpr[FD] if fr else after.fpr[FD + 1] << 32 | after.fpr[FD]
    bits = None if left == UNTOUCHED else left & (1 << row.fp_out) - 1
    return Result(bits, after.fcsr, stop.trap, tuple(kind for kind, _ in machine.events))
