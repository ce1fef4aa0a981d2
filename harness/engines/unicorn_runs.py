"""The probes that take more than guest code: hooks, stops, and what a run leaves to the next. See ``faults.runs``.

Each gives what it saw in the words of ``Fault.known`` and ``right``. Some kill the process: that is the fault.
"""

from __future__ import annotations

from collections.abc import Callable

import unicorn
from unicorn import mips_const

from harness.engines.unicorn_bare import CODE, DATA, JR_RA, NOWHERE, Bare, register
from harness.engines.unicorn_cpu import physical

_ADD_1 = 0x2442_0001  # addiu v0,v0,1
_SET_1, _SET_2 = 0x2402_0001, 0x2402_0002  # addiu v0,zero,1; addiu v0,zero,2
#: beq zero,zero,+2; sw v0,0(a0); nop; addiu v0,v0,1; jr ra; nop
_STORE_IN_SLOT = (0x1000_0002, 0xAC82_0000, 0, _ADD_1, *JR_RA)
_BRANCH_OVER_ONE = 0x1000_0001  # beq zero,zero,+1
_OVERFLOW = 0x0084_1020  # add v0,a0,a0, with this in a0:
_BIG = 0x7FFF_FFFF


def _chosen(condition: bool, then: str, otherwise: str) -> str:
    return then if condition else otherwise


def _after_a_fault(words: tuple[int, ...], a0: int, again: int, restore: bool = False) -> str:
    """Whether a run from instruction number ``again`` is right after one from the start that ended in a fault."""
    bare = Bare(words)
    clean = bare.uc.context_save()
    bare.run(a0=a0)
    if restore:
        bare.uc.context_restore(clean)
    trap = bare.run(CODE + 4 * again)
    return _chosen(trap == "", "the next run is right", "the next run is wrong")


def _long_run() -> str:
    bare = Bare((*(_ADD_1,) * 3000, *JR_RA))
    bare.run(v0=0)
    return _chosen(bare.reads("v0") == 3000, "runs through", f"v0={bare.reads('v0'):x}")


def _trap_in_slot() -> str:
    # beq zero,zero,+4; lw v0,1(a0); nop; nop; nop; break; jr ra; nop
    return _after_a_fault((0x1000_0004, 0x8C82_0001, 0, 0, 0, 0x0000_000D, *JR_RA), DATA, 6)


def _bad_fetch() -> str:
    return _after_a_fault((0x0080_0008, 0, *JR_RA), NOWHERE, 2)  # jr a0


def _bad_fetch_restored() -> str:
    return _after_a_fault((0x0080_0008, 0, *JR_RA), NOWHERE, 2, restore=True)


def _misaligned_fetch() -> str:
    return _after_a_fault((0x0080_0008, 0, *JR_RA), CODE + 9, 2)


def _store_in_slot_hooked() -> str:
    bare = Bare(_STORE_IN_SLOT)
    bare.uc.hook_add(unicorn.UC_HOOK_MEM_WRITE, lambda *_: None)
    bare.run(v0=0, a0=DATA)
    return _chosen(bare.reads("v0") == 2, "twice", "once")


def _store_in_slot_virtual() -> str:
    bare = Bare(_STORE_IN_SLOT, virtual_tlb=True)
    bare.run(v0=0, a0=DATA)
    return _chosen(bare.reads("v0") == 2, "twice", "once")


def _alias_virtual() -> str:
    bare = Bare((0x8C82_0000, *JR_RA), virtual_tlb=True)  # lw v0,0(a0)
    trap = bare.run(a0=DATA + 0x2000_0000)
    return _chosen(trap != "", f"trap {trap}", "the same bytes")


def _stop_in_slot() -> str:
    bare = Bare((_BRANCH_OVER_ONE, _SET_1, *JR_RA))
    bare.uc.hook_add(unicorn.UC_HOOK_CODE, lambda uc, *_: uc.emu_stop(), begin=CODE + 4, end=CODE + 4)
    bare.run(v0=0)
    return _chosen(bare.reads("v0") == 1, "the slot ran", "the slot did not run")


def _skipped_slot() -> str:
    bare = Bare((0x5000_0001 | 4 << 21, _SET_1, *JR_RA))  # beql a0,zero,+1
    calls: list[None] = []
    bare.uc.hook_add(unicorn.UC_HOOK_CODE, lambda *_: calls.append(None), begin=CODE + 4, end=CODE + 4)
    bare.run(a0=1, v0=0)
    return "the slot ran" if bare.reads("v0") else _chosen(calls != [], "called", "not called")


def _count_in_slot() -> str:
    bare = Bare((0, 0, _BRANCH_OVER_ONE, _SET_1, *JR_RA))
    bare.run(v0=0, count=3)
    return _chosen(bare.reads("v0") == 1, "the slot ran", "the slot did not run")


def _pc_after_trap() -> str:
    bare = Bare((0, 0, _OVERFLOW, *JR_RA))
    bare.run(a0=_BIG)
    return _chosen(bare.reads("pc") == CODE + 8, "PC is right", "PC is another")


def _pc_at_until() -> str:
    bare = Bare((0, 0, 0, *JR_RA))
    bare.run(until=CODE + 8)
    return _chosen(bare.reads("pc") == CODE + 8, "PC is right", "PC is another")


def _cause_after_trap() -> str:
    bare = Bare((_OVERFLOW, *JR_RA))
    bare.run(a0=_BIG)
    bare.uc.mem_write(physical(CODE) + 0x100, b"".join(w.to_bytes(4, "big") for w in (0x4002_6800, *JR_RA)))
    bare.run(CODE + 0x100)  # mfc0 v0,$13
    code = bare.reads("v0") >> 2 & 31
    return {0: "Cause is 0", 12: "Cause tells"}.get(code, f"Cause tells {code}")


def _error_after_trap() -> str:
    bare = Bare((_OVERFLOW, *JR_RA))
    bare.uc.reg_write(register("a0"), _BIG)
    try:
        bare.uc.emu_start(CODE, CODE + 4)
    except unicorn.UcError:
        return "an error"
    return _chosen(bare.trap is not None, "no error", "no trap")


def _code_written_over() -> str:
    bare = Bare((_SET_1, *JR_RA))
    bare.run()
    bare.uc.mem_write(physical(CODE), _SET_2.to_bytes(4, "big"))
    bare.run()
    return _chosen(bare.reads("v0") == 1, "the old code ran", "the new code ran")


def _another_until() -> str:
    bare = Bare((_SET_1, _SET_2, 0x0000_000D))  # break
    bare.run()
    trap = bare.run(until=CODE + 4, v0=0)
    return _chosen(trap != "", "ran past it", "stopped there")


def _read_by_guest_address() -> str:
    bare = Bare(JR_RA)
    try:
        bare.uc.mem_read(DATA, 4)
    except unicorn.UcError as error:
        return _chosen(error.errno == unicorn.UC_ERR_READ_UNMAPPED, "raises UC_ERR_READ_UNMAPPED", str(error))
    return "the bytes"


def _memory_after_restore() -> str:
    bare = Bare((0xAC84_0000, *JR_RA))  # sw a0,0(a0)
    clean = bare.uc.context_save()
    bare.run(a0=DATA)
    bare.uc.context_restore(clean)
    return _chosen(bytes(bare.uc.mem_read(physical(DATA), 4)) != bytes(4), "memory stays", "memory restored")


def _late_store_trap() -> str:
    bare = Bare((0xA884_0000, _SET_1, *JR_RA))  # swl a0,0(a0)
    trap = bare.run(a0=NOWHERE, v0=0)
    if not trap:
        return "no trap"
    return f"the next instruction {_chosen(bare.reads('v0') == 1, 'ran', 'did not run')}"


def _register_zero() -> str:
    bare = Bare(JR_RA)
    bare.uc.reg_write(mips_const.UC_MIPS_REG_0, 0x55)
    return f"reads back {bare.reads('0'):x}"


def _write_fcsr() -> str:
    bare = Bare(JR_RA)
    try:
        bare.uc.reg_write(register("fcsr"), 0x0001_0800)  # cause and enable of an invalid operation
    except unicorn.UcError as error:
        return _chosen(error.errno == unicorn.UC_ERR_EXCEPTION, "raises UC_ERR_EXCEPTION", str(error))
    return "keeps the value"


def _paired_register() -> str:
    bare = Bare((0x44A4_1000, *JR_RA), fr=False)  # dmtc1 a0,$f2
    bare.run(a0=0x0123_4567_89AB_CDEF)
    return {0x89AB_CDEF: "low word alone", 0x0123_4567_89AB_CDEF: "pair"}.get(
        bare.reads("f2"), f"f2={bare.reads('f2'):x}"
    )


#: Fault -> what shows it.
BY_HAND: dict[str, Callable[[], str]] = {
    "long-run": _long_run,
    "slot-trap-state": _trap_in_slot,
    "bad-fetch": _bad_fetch,
    "bad-fetch-restored": _bad_fetch_restored,
    "misaligned-fetch": _misaligned_fetch,
    "memory-hook-in-slot": _store_in_slot_hooked,
    "virtual-tlb-in-slot": _store_in_slot_virtual,
    "virtual-tlb-alias": _alias_virtual,
    "stop-in-slot": _stop_in_slot,
    "hook-in-skipped-slot": _skipped_slot,
    "count-in-slot": _count_in_slot,
    "stale-pc": _pc_after_trap,
    "pc-of-block": _pc_at_until,
    "no-vector": _cause_after_trap,
    "quiet-trap": _error_after_trap,
    "stale-code": _code_written_over,
    "stale-until": _another_until,
    "physical-addresses": _read_by_guest_address,
    "memory-not-restored": _memory_after_restore,
    "late-store-trap": _late_store_trap,
    "zero-register-cell": _register_zero,
    "fcsr-write": _write_fcsr,
    "paired-cells": _paired_register,
}
