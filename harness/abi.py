"""The four calling conventions of the guest: which registers carry arguments, results and promises.

Everything here is data. ``states`` reads it to set a call up as a caller would; ``compare`` reads it to judge only
what a caller may rely on. Registers are numbers (0-31).

Source: System V ABI MIPS supplement 3rd ed. chapter 3 (o32, from memory); MIPSpro N32 ABI Handbook chapter 2, table
2-4 (n32); MIPS EABI note of 11 Jun 2003 (eabi); each confirmed on code of GCC 12.2 with ``-march=vr4300``. o64 has no
published description beyond that code.
"""

from __future__ import annotations

from dataclasses import dataclass

RA = 31
SP = 29
GP = 28

#: The general registers by their o32 names, which all output uses.
GPR_NAMES: tuple[str, ...] = (
    *("zero", "at", "v0", "v1", "a0", "a1", "a2", "a3", "t0", "t1", "t2", "t3", "t4", "t5", "t6", "t7"),
    *("s0", "s1", "s2", "s3", "s4", "s5", "s6", "s7", "t8", "t9", "k0", "k1", "gp", "sp", "s8", "ra"),
)


@dataclass(frozen=True, slots=True)
class Abi:
    """One calling convention.

    Units: ``home_bytes`` is the area at ``sp`` that the caller reserves for the register arguments and the callee may
    overwrite; stack arguments start right above it, one in each ``slot_bytes``, big-endian, so that a 32-bit one sits
    in the last 4 bytes of its slot. ``stack_alignment`` is that of ``sp`` at a call. ``fr`` is the FR bit that the
    convention implies, ``wide_registers`` whether compilers keep 64-bit values in one general register. Without
    ``fr`` a double result or a preserved double takes two of the numbers listed.
    """

    name: str
    int_args: tuple[int, ...]
    fp_args: tuple[int, ...]
    result_gprs: tuple[int, ...]
    result_fprs: tuple[int, ...]
    preserved_gprs: tuple[int, ...]
    preserved_fprs: tuple[int, ...]
    home_bytes: int
    slot_bytes: int
    stack_alignment: int
    fr: bool
    wide_registers: bool


_SAVED = (*range(16, 24), GP, SP, 30)

#: The conventions by the name that ``tally.toml`` uses.
ABIS: dict[str, Abi] = {
    abi.name: abi
    for abi in (
        Abi(
            name="o32",
            int_args=(4, 5, 6, 7),
            fp_args=(12, 13, 14, 15),  # f12 and f14, each with the high word of a double beside it
            result_gprs=(2, 3),
            result_fprs=(0, 1, 2, 3),
            preserved_gprs=_SAVED,
            preserved_fprs=tuple(range(20, 32)),
            home_bytes=16,
            slot_bytes=4,
            stack_alignment=8,
            fr=False,
            wide_registers=False,
        ),
        Abi(
            name="n32",
            int_args=tuple(range(4, 12)),
            fp_args=tuple(range(12, 20)),
            result_gprs=(2, 3),
            result_fprs=(0, 2),
            preserved_gprs=_SAVED,
            preserved_fprs=(20, 22, 24, 26, 28, 30),
            home_bytes=0,
            slot_bytes=8,
            stack_alignment=16,
            fr=True,
            wide_registers=True,
        ),
        Abi(
            name="o64",
            int_args=(4, 5, 6, 7),
            fp_args=(12, 13, 14),  # f13 by GCC 4.0 and later, f14 by the older written description
            result_gprs=(2, 3),
            result_fprs=(0, 2),
            preserved_gprs=_SAVED,
            preserved_fprs=tuple(range(20, 32)),
            home_bytes=32,
            slot_bytes=8,
            stack_alignment=16,
            fr=True,
            wide_registers=True,
        ),
        Abi(
            name="eabi",
            int_args=tuple(range(4, 12)),
            fp_args=tuple(range(12, 20)),
            result_gprs=(2, 3),
            result_fprs=(0, 2),
            preserved_gprs=_SAVED,
            preserved_fprs=tuple(range(20, 32)),
            home_bytes=0,
            slot_bytes=8,
            stack_alignment=8,
            fr=True,
            wide_registers=True,
        ),
    )
}
