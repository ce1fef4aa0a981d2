"""Registers of a Unicorn instance, all at once.

The batch calls of Unicorn's Python binding look up the type of each register on every call and take 25 us for 32
registers; with arrays that are prepared once the same C functions take 2 us for all. Only these two calls reach round
the binding's public interface.
"""

from __future__ import annotations

import ctypes
import struct
from collections.abc import Sequence

import unicorn
from unicorn import mips_const
from unicorn.unicorn_py3.unicorn import uclib

from interp.optable import Loc

#: r1 to r31, HI, LO, f0 to f31; r0 is never written (Unicorn would give the value back, though no instruction sees it).
_IDS = (
    *range(mips_const.UC_MIPS_REG_1, mips_const.UC_MIPS_REG_31 + 1),
    mips_const.UC_MIPS_REG_HI,
    mips_const.UC_MIPS_REG_LO,
    *range(mips_const.UC_MIPS_REG_F0, mips_const.UC_MIPS_REG_F31 + 1),
)
_COUNT = len(_IDS)
_CELLS = struct.Struct(f"={_COUNT}Q")


class RegisterFile:
    """The integer and floating-point registers of one instance, as 65 unsigned 64-bit values.

    Their order is r1 to r31, HI, LO, f0 to f31. Floating-point registers are Unicorn's 64-bit cells whatever the FR
    bit is: without it only their low words mean something, and doubles are put together from two of them.
    """

    def __init__(self, uc: unicorn.Uc) -> None:
        self._uc = uc
        self._ids = (ctypes.c_int * _COUNT)(*_IDS)
        self._cells = (ctypes.c_uint64 * _COUNT)()
        first = ctypes.addressof(self._cells)
        self._places = (ctypes.c_void_p * _COUNT)(*range(first, first + 8 * _COUNT, 8))

    def write(self, values: Sequence[int]) -> None:
        """Sets all registers."""
        _CELLS.pack_into(self._cells, 0, *values)
        _check(uclib.uc_reg_write_batch(self._uc._uch, self._ids, self._places, _COUNT))

    def read(self) -> tuple[int, ...]:
        """Gives all registers."""
        _check(uclib.uc_reg_read_batch(self._uc._uch, self._ids, self._places, _COUNT))
        return _CELLS.unpack_from(self._cells)


#: Where each register lies in a ``RegisterFile``.
_PLACES = {("gpr", n): n - 1 for n in range(1, 32)} | {("hi", 0): 31, ("lo", 0): 32}
_PLACES |= {("fpr", n): 33 + n for n in range(32)}


class UnicornView:
    """A stopped instance as the world outside sees it; ``registers`` are in the order of ``RegisterFile``."""

    def __init__(self, uc: unicorn.Uc, registers: Sequence[int]) -> None:
        self._uc = uc
        self.registers = list(registers)

    def get(self, loc: Loc) -> int | None:
        """The unsigned value of a register."""
        if loc[0] == "fcsr":
            return int(self._uc.reg_read(mips_const.UC_MIPS_REG_FCSR))
        return self.registers[_PLACES[loc]] if loc in _PLACES else 0

    def set(self, loc: Loc, value: int) -> None:
        """Gives a register an unsigned value."""
        if loc[0] == "fcsr":
            self._uc.reg_write(mips_const.UC_MIPS_REG_FCSR, value)
        elif loc in _PLACES:
            self.registers[_PLACES[loc]] = value

    def read(self, address: int, size: int) -> bytes:
        """The bytes at a guest address."""
        return bytes(self._uc.mem_read(address & 0x1FFF_FFFF, size))

    def write(self, address: int, data: bytes) -> None:
        """Puts bytes at a guest address."""
        self._uc.mem_write(address & 0x1FFF_FFFF, data)


def _check(status: int) -> None:
    if status != unicorn.UC_ERR_OK:
        raise unicorn.UcError(status)
