"""Unicorn without any precaution of the leg: a few instructions, run as they are, for the probes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import unicorn
from unicorn import mips_const

from harness.engines.faults import Probe
from harness.engines.unicorn_cpu import ACCESS_TRAPS, MODELS, TRAPS, physical

CODE, RETURN, DATA = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8002_0000, 0xFFFF_FFFF_8003_0000
#: Nothing is mapped here.
NOWHERE = DATA + 0x10_0000
JR_RA = (0x03E0_0008, 0)

_STATUS = {("R4000", True): 0x2400_0000, ("R4000", False): 0x2000_0000}
_STATUS |= {("VR5432", True): 0xB400_0000, ("VR5432", False): 0xB000_0000}


def register(name: str) -> int:
    """Unicorn's number of a register: ``v0``, ``f4``, ``hi``, ``fcsr``, ``pc``, ``cp0_status``."""
    number: int = getattr(mips_const, f"UC_MIPS_REG_{name.upper()}")
    return number


class Bare:
    """An instance with some code, one page of data and the hook that hears of traps."""

    def __init__(
        self, words: Sequence[int], model: str = "R4000", fr: bool = True, virtual_tlb: bool = False
    ) -> None:
        self.uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
        self.uc.ctl_set_cpu_model(MODELS[model])
        if virtual_tlb:
            self.uc.ctl_tlb_mode(unicorn.UC_TLB_VIRTUAL)
        self.uc.reg_write(register("cp0_status"), _STATUS[model, fr])
        base = CODE - physical(CODE) if virtual_tlb else 0
        self.uc.mem_map(base + physical(CODE), 0x2_0000)
        self.uc.mem_map(base + physical(DATA), 0x1000)
        self.uc.mem_write(base + physical(CODE), b"".join(word.to_bytes(4, "big") for word in words))
        self.trap: int | None = None
        self.uc.hook_add(unicorn.UC_HOOK_INTR, self._on_trap)

    def run(self, entry: int = CODE, until: int = RETURN, count: int = 0, **before: int) -> str:
        """Runs from ``entry``; gives the trap that ended the run, or nothing. ``before`` are registers by name."""
        self.trap = None
        self.uc.reg_write(register("ra"), RETURN)
        for name, value in before.items():
            self.uc.reg_write(register(name), value)
        try:
            self.uc.emu_start(entry, until, count=count)
        except unicorn.UcError as error:
            if self.trap not in TRAPS:
                return ACCESS_TRAPS.get(error.errno, str(error))
        return TRAPS.get(self.trap, f"exception {self.trap}") if self.trap is not None else ""

    def reads(self, name: str) -> int:
        """The register ``name``."""
        value: int = self.uc.reg_read(register(name))
        return value

    def _on_trap(self, uc: unicorn.Uc, number: int, _data: object) -> None:
        self.trap = number
        uc.emu_stop()


def seen(trap: str, registers: Mapping[str, int]) -> str:
    """What a probe saw, as ``Fault.known`` and ``right`` write it."""
    return f"trap {trap}" if trap else " ".join(f"{name}={value:x}" for name, value in registers.items())


def seen_by_unicorn(probe: Probe) -> str:
    """What ``probe`` sees on the bare engine."""
    bare = Bare((*probe.words, *JR_RA), probe.model, probe.fr)
    trap = bare.run(**probe.before)
    narrow = 0xFFFF_FFFF if not probe.fr else (1 << 64) - 1
    values = {name: bare.reads(name) for name in probe.sees}
    return seen(trap, {name: value & (narrow if name[0] == "f" else ~0) for name, value in values.items()})
