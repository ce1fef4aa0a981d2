"""Shows that the faults of Unicorn in ``guard.FAULTS`` still occur, on the bare engine without our precautions.

A fault that is gone is good news: its entry, its remedy and its probe can go as well.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Sequence

import unicorn
from unicorn import mips_const

from harness.errors import HarnessError

_CODE, _RETURN, _DATA = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8002_0000, 0xFFFF_FFFF_8003_0000
_JR_RA = (0x03E0_0008, 0)
_RESERVED = 20  # exception number of a reserved instruction
_OCCURS = 17  # exit status by which a process of our own says that the fault occurs, unless the fault killed it

_GPR = mips_const.UC_MIPS_REG_0
_FPR = mips_const.UC_MIPS_REG_F0
_V0, _A0 = _GPR + 2, _GPR + 4


class _Bare:
    """A Unicorn instance with 64 KiB of code and one page of data, and nothing else of what the leg does."""

    def __init__(self, words: Sequence[int], status: int = 0x2400_0000) -> None:
        self.uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
        self.uc.ctl_set_cpu_model(mips_const.UC_CPU_MIPS64_R4000)
        self.uc.reg_write(mips_const.UC_MIPS_REG_CP0_STATUS, status)
        self.uc.mem_map(_CODE & 0x1FFF_FFFF, 0x2_0000)
        self.uc.mem_map(_DATA & 0x1FFF_FFFF, 0x1000)
        self.uc.mem_write(_CODE & 0x1FFF_FFFF, b"".join(word.to_bytes(4, "big") for word in words))
        self.exception: int | None = None
        self.uc.hook_add(unicorn.UC_HOOK_INTR, self._on_exception)

    def run(self, entry: int = _CODE, **registers: int) -> None:
        """Runs to the return address; registers by name (``a0``, ``f4``, ``fcsr``)."""
        self.exception = None
        self.uc.reg_write(_GPR + 31, _RETURN)
        for name, value in registers.items():
            self.uc.reg_write(getattr(mips_const, f"UC_MIPS_REG_{name.upper()}"), value)
        try:
            self.uc.emu_start(entry, _RETURN)
        except unicorn.UcError as error:
            if self.exception is None:
                self.exception = -error.errno

    def reads(self, register: int) -> int:
        """Gives a register."""
        value: int = self.uc.reg_read(register)
        return value

    def _on_exception(self, uc: unicorn.Uc, number: int, _data: object) -> None:
        self.exception = number
        uc.emu_stop()


def _slot_store_under_a_hook() -> bool:
    # beq zero,zero,+2; sw v0,0(a0); nop; addiu v0,v0,1; jr ra; nop
    bare = _Bare((0x1000_0002, 0xAC82_0000, 0, 0x2442_0001, *_JR_RA))
    bare.uc.hook_add(unicorn.UC_HOOK_MEM_WRITE, lambda *_: None)
    bare.run(v0=0, a0=_DATA)
    return bare.reads(_V0) == 2


def _long_conversion() -> bool:
    bare = _Bare((0x4620_20A5, *_JR_RA))  # cvt.l.d $f2,$f4
    bare.run(f4=0x4059_0000_0000_0000)
    return bare.exception == _RESERVED


def _foreign_opcode() -> bool:
    bare = _Bare((0x0000_0005, *_JR_RA))  # function 5 of SPECIAL is empty
    bare.run()
    return bare.exception is None


def _unchecked_sc() -> bool:
    bare = _Bare((0xE082_0002, 0xE083_0000, *_JR_RA))  # sc v0,2(a0); sc v1,0(a0)
    bare.run(a0=_DATA + 0x10_0000, v0=5)
    return bare.exception is None and bare.reads(_V0) == 0


def _late_store_trap() -> bool:
    bare = _Bare((0xA884_0000, 0x2402_0001, *_JR_RA))  # swl a0,0(a0); addiu v0,zero,1
    bare.run(a0=_DATA + 0x10_0000, v0=0)
    return bare.exception is not None and bare.reads(_V0) == 1


def _stop_in_slot() -> bool:
    bare = _Bare((0x1000_0001, 0x2402_0001, *_JR_RA))  # beq zero,zero,+1; addiu v0,zero,1
    bare.uc.hook_add(unicorn.UC_HOOK_CODE, lambda uc, *_: uc.emu_stop(), begin=_CODE + 4, end=_CODE + 4)
    bare.run(v0=0)
    return bare.reads(_V0) == 1


def _store_between_ll_and_sc() -> bool:
    bare = _Bare((0xC082_0000, 0xAC84_0000, 0xE082_0000, *_JR_RA))  # ll v0,0(a0); sw a0,0(a0); sc v0,0(a0)
    bare.run(a0=_DATA)
    return bare.reads(_V0) == 0


def _wide_sra() -> bool:
    bare = _Bare((0x0004_1043, *_JR_RA))  # sra v0,a0,1
    bare.run(a0=0x1_0000_0000)
    return bare.reads(_V0) == 0x8000_0000


def _quiet_nan() -> bool:
    bare = _Bare((0x4606_2080, *_JR_RA))  # add.s $f2,$f4,$f6
    bare.run(f4=0x7F80_0001, f6=0x3F80_0000)  # a quiet NaN in the old MIPS encoding
    return bare.exception is None


def _tiny_result() -> bool:
    bare = _Bare((0x4606_2082, *_JR_RA))  # mul.s $f2,$f4,$f6
    bare.run(f2=1, f4=0x0080_0000, f6=0x3F00_0000, fcsr=0x0100_0002)  # flush to zero, towards plus infinity
    return bare.reads(_FPR + 2) & 0xFFFF_FFFF == 0


def _system_register() -> bool:
    bare = _Bare((0x4002_7800, *_JR_RA))  # mfc0 v0,$15: the processor's identification
    bare.run(v0=0)
    return bare.reads(_V0) != 0


def _run_long() -> bool:
    bare = _Bare((*(0x2442_0001,) * 3000, *_JR_RA))  # addiu v0,v0,1
    bare.run(v0=0)
    return bare.reads(_V0) != 3000


def _run_after_a_trap_in_a_slot() -> bool:
    # beq zero,zero,+4; lw v0,1(a0); nop; nop; nop; break; then at 0x18: jr ra; nop
    bare = _Bare((0x1000_0004, 0x8C82_0001, 0, 0, 0, 0x0000_000D, *_JR_RA))
    bare.run(a0=_DATA)
    bare.run(_CODE + 0x18)
    return bare.exception is not None


def _run_after_a_bad_fetch() -> bool:
    bare = _Bare((0x0080_0008, 0, *_JR_RA))  # jr a0
    bare.run(a0=_DATA + 0x10_0000)
    bare.run(_CODE + 8)
    return bare.exception is not None


def _hook_in_skipped_slot() -> bool:
    bare = _Bare((0x5000_0001 | 4 << 21, 0x2402_0001, *_JR_RA))  # beql a0,zero,+1; addiu v0,zero,1
    hits: list[int] = []
    bare.uc.hook_add(unicorn.UC_HOOK_CODE, lambda *_: hits.append(1), begin=_CODE + 4, end=_CODE + 4)
    bare.run(a0=1, v0=0)
    return bool(hits) and bare.reads(_V0) == 0


#: Fault -> whether it still occurs. These run in this process.
_HARMLESS: dict[str, Callable[[], bool]] = {
    "memory-hook-in-slot": _slot_store_under_a_hook,
    "long-conversions": _long_conversion,
    "foreign-opcodes": _foreign_opcode,
    "sc-unchecked": _unchecked_sc,
    "late-store-trap": _late_store_trap,
    "stop-in-slot": _stop_in_slot,
    "hook-in-skipped-slot": _hook_in_skipped_slot,
    "system-registers": _system_register,
    "sc-by-value": _store_between_ll_and_sc,
    "sra-wide": _wide_sra,
    "quiet-nan": _quiet_nan,
    "flush-to-zero": _tiny_result,
}
#: These may kill the process, which is the fault, or part of it.
_DEADLY: dict[str, Callable[[], bool]] = {
    "long-run": _run_long,
    "slot-trap-state": _run_after_a_trap_in_a_slot,
    "bad-fetch": _run_after_a_bad_fetch,
}


def probes() -> tuple[str, ...]:
    """Gives the faults that have a probe."""
    return (*_DEADLY, *_HARMLESS)


def still_occurs(fault: str) -> bool:
    """Tries whether a fault of ``guard.FAULTS`` still occurs; costs a new process where it may kill this one."""
    if fault in _HARMLESS:
        return _HARMLESS[fault]()
    command = [sys.executable, "-m", "harness.engines.unicorn_probes", fault]
    child = subprocess.run(command, capture_output=True, timeout=60, check=False)
    if child.returncode not in (0, _OCCURS) and child.returncode >= 0:
        raise HarnessError(f"probe {fault}", "did not run", got=child.stderr.decode(errors="replace")[-500:])
    return child.returncode != 0


if __name__ == "__main__":
    sys.exit(_OCCURS if _DEADLY[sys.argv[1]]() else 0)
