"""One Unicorn instance set up for one program: memory, wires, one run, and how it stopped.

Addresses here are guest addresses except where named *physical*: in Unicorn's default TLB mode memory is mapped at
physical addresses, and kseg0 and kseg1 both lead there as on the chip.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import unicorn
from unicorn import mips_const

from harness.abi import RA
from harness.engines.base import PAGE, RETURN_ADDRESS, STAY, Region, boundary_pages
from harness.engines.guard import INTERRUPT_BITS, Guard, Route, Wire
from harness.engines.outside import Boundary, DeviceWindow, Outside
from harness.engines.unicorn_registers import RegisterFile, UnicornView
from harness.engines.world import World
from harness.errors import HarnessError
from interp.optable import Insn
from interp.words import sext64

MODELS = {"R4000": mips_const.UC_CPU_MIPS64_R4000, "VR5432": mips_const.UC_CPU_MIPS64_VR5432}

#: Exception numbers that Unicorn hands to an interrupt hook.
TRAPS = {
    12: "address-error-load",
    13: "address-error-store",
    17: "syscall",
    18: "break",
    19: "coprocessor-unusable",
    20: "reserved-instruction",
    21: "overflow",
    22: "trap",
    23: "fp-exception",
}
#: TLB refill: which of the three traps it is, the error code of the run tells.
_TLB_REFILL = 26

ACCESS_TRAPS = {
    unicorn.UC_ERR_READ_UNMAPPED: "tlb-load",
    unicorn.UC_ERR_READ_PROT: "tlb-load",
    unicorn.UC_ERR_WRITE_UNMAPPED: "tlb-store",
    unicorn.UC_ERR_WRITE_PROT: "tlb-store",
    unicorn.UC_ERR_READ_UNALIGNED: "address-error-load",
    unicorn.UC_ERR_WRITE_UNALIGNED: "address-error-store",
    unicorn.UC_ERR_FETCH_UNMAPPED: "tlb-fetch",
    unicorn.UC_ERR_FETCH_PROT: "tlb-fetch",
    unicorn.UC_ERR_FETCH_UNALIGNED: "address-error-fetch",
}
#: After one of these the instance kills the process at its next run.
_BAD_FETCHES = frozenset({unicorn.UC_ERR_FETCH_UNMAPPED, unicorn.UC_ERR_FETCH_PROT, unicorn.UC_ERR_FETCH_UNALIGNED})


#: How much more than its fuel a run may use before it counts as endless. The reference decides what is too long; here
#: a run must only come to an end, and blocks are counted whole, with slots that a likely branch skips.
_GENEROSITY = 2


#: First address of the cached view of physical memory that needs no TLB.
KSEG0 = 0xFFFF_FFFF_8000_0000


def pages_of(window: DeviceWindow) -> range:
    """The physical addresses of the pages that a window reaches into."""
    return range(physical(window.address) & -PAGE, physical(window.address) + window.size, PAGE)


def physical(address: int) -> int:
    """Gives the physical address behind a kseg0 or kseg1 address."""
    return address & 0x1FFF_FFFF


def is_unmapped_segment(address: int) -> bool:
    """Whether an address lies in kseg0 or kseg1, which need no TLB."""
    return 0xFFFF_FFFF_8000_0000 <= address < 0xFFFF_FFFF_C000_0000


def _is_sign_extended(address: int) -> bool:
    return not 0x7FFF_FFFF < address < 0xFFFF_FFFF_8000_0000


@dataclass(frozen=True, slots=True)
class Halt:
    """How a run stopped: ``trap`` names an exception of the processor, ``unsupported`` a reason of ours.

    Both are empty where the run returned (``returned``) or used up its fuel. ``early`` says that it stopped before a
    delay slot that the chip would have run: what it left is not the state after the stop.
    """

    returned: bool = False
    trap: str = ""
    unsupported: str = ""
    fault_address: int | None = None
    early: bool = False


@dataclass(slots=True)
class _Window:
    """A mapped run of pages; ``content`` is what it is known to hold, None after a run that may have changed it."""

    size: int
    writable: bool
    content: bytes | None


class Cpu:
    """A Unicorn instance for one program and one setting of the FR bit.

    It lives through any number of runs. Only pages that the state declares are mapped.
    """

    def __init__(self, code: tuple[Region, ...], route: Route, outside: Outside | None = None) -> None:
        self._route = route
        self._outside = outside
        returns = Region(RETURN_ADDRESS, STAY, writable=False, name="return page")
        self._code = {region.address: region for region in (*code, returns)}
        self._executable = {
            page
            for region in self._code.values()
            for page in range(physical(region.address), physical(region.address) + len(region.data), PAGE)
        }
        self._boundaries = outside.boundaries.keys() if outside is not None else frozenset()
        self._open()

    def _open(self) -> None:
        """Makes a fresh instance, as at the start."""
        self._uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
        self._uc.ctl_set_cpu_model(MODELS[self._route.model])
        self._uc.reg_write(mips_const.UC_MIPS_REG_CP0_STATUS, self._route.status)
        self._windows: dict[int, _Window] = {}
        for region in self._code.values():
            self._map(region)
        self._open_outside()
        self._uc.hook_add(unicorn.UC_HOOK_INTR, self._on_exception)
        for wire in self._route.wires:
            self._uc.hook_add(unicorn.UC_HOOK_CODE, self._on_wire, wire, wire.first, wire.last)
        if not self._route.counted:
            self._uc.hook_add(unicorn.UC_HOOK_BLOCK, self._on_block)
        self._registers = RegisterFile(self._uc)
        self._clean = self._uc.context_save()
        self._exception: int | None = None
        self._world: World | None = None
        self._call: Boundary | None = None
        self._crossed: tuple[int, ...] | None = None
        self._halt: Halt | None = None
        self._found: tuple[tuple[int, ...], int] | None = None
        self._fuel = 0  # bytes of code
        self._spoiled = False

    def _open_outside(self) -> None:
        """Stands guard at each boundary, and lets devices answer in their windows."""
        if self._outside is None:
            return
        for region in boundary_pages(self._outside, tuple(self._code.values())):
            self._uc.mem_map(physical(region.address), PAGE, unicorn.UC_PROT_READ | unicorn.UC_PROT_EXEC)
            self._uc.mem_write(physical(region.address), region.data)
        for address, boundary in self._outside.boundaries.items():
            self._uc.hook_add(unicorn.UC_HOOK_CODE, self._on_boundary, boundary, address, address)
        for page in sorted({p for window in self._outside.windows for p in pages_of(window)}):
            self._uc.mmio_map(page, PAGE, self._on_load, page | KSEG0, self._on_store, page | KSEG0)

    def place(self, memory: Iterable[Region]) -> None:
        """Makes the instance's memory that of a state: what the state does not declare is unmapped.

        Errors: ``HarnessError`` for regions that overlap each other, the code or the return page.
        """
        if self._spoiled:
            self._open()
        wanted = self._code | {region.address: region for region in memory}
        for address, window in list(self._windows.items()):
            region = wanted.get(address)
            if region is None or window.size != len(region.data) or window.writable is not region.writable:
                self._uc.mem_unmap(physical(address), window.size)
                del self._windows[address]
        for address, region in wanted.items():
            held = self._windows.get(address)
            if held is None:
                self._map(region)
            elif held.content is not region.data:
                self._uc.mem_write(physical(address), region.data)
                held.content = region.data
                if address in self._code:
                    self._uc.ctl_remove_cache(address, region.end)

    def run(self, entry: int, registers: Sequence[int], fcsr: int, fuel: int, world: World | None = None) -> Halt:
        """Runs from ``entry`` until control reaches the return address, or until ``fuel`` is used up generously.

        ``registers`` are in the order of ``RegisterFile``; ``world`` answers what the run does outside.
        """
        self._uc.context_restore(self._clean)
        self._registers.write(registers)
        self._uc.reg_write(mips_const.UC_MIPS_REG_FCSR, fcsr)
        self._exception = self._halt = self._found = None
        self._fuel = 4 * _GENEROSITY * fuel
        self._world = world
        error = self._start(entry)
        while self._call is not None and self._halt is None:
            pc = self._answered(self._call)
            error = self._start(pc) if self._halt is None and pc != RETURN_ADDRESS else unicorn.UC_ERR_OK
            if pc == RETURN_ADDRESS and self._halt is None:
                self._halt = Halt(returned=True)
        for window in self._windows.values():
            if window.writable:
                window.content = None
        self._spoiled = error in _BAD_FETCHES
        return self._halt or self._how_it_stopped(error)

    def _start(self, pc: int) -> int:
        """Lets the instance run from ``pc``; gives the error number with which it stopped."""
        self._call = None
        try:
            self._uc.emu_start(pc, RETURN_ADDRESS, count=self._fuel // 4 if self._route.counted else 0)
        except unicorn.UcError as stopped:
            return int(stopped.errno)
        return int(unicorn.UC_ERR_OK)

    def _answered(self, boundary: Boundary) -> int:
        """Lets the world answer a call; gives where the run goes on."""
        assert self._world is not None and self._crossed is not None  # nothing stops at a boundary without them
        view = UnicornView(self._uc, self._crossed)
        if self._world.full:
            self._halt = Halt()
            return RETURN_ADDRESS
        self._world.call(boundary, view)
        self._registers.write(view.registers)
        target = view.registers[RA - 1]
        if target != RETURN_ADDRESS:
            self._halt = self._bad_target(target)
        return target

    def registers(self) -> tuple[tuple[int, ...], int]:
        """Gives the registers in the order of ``RegisterFile``, and FCSR: as a wire found them where one stopped."""
        return self._found or self._read_registers()

    def after(self, region: Region) -> Region:
        """Gives what a region of the state holds now: the same object where nothing has changed."""
        if not region.writable:
            return region
        window = self._windows[region.address]
        data = self._uc.mem_read(physical(region.address), window.size)
        window.content = region.data if data == region.data else bytes(data)
        return region if window.content is region.data else replace(region, data=window.content)

    def close(self) -> None:
        """Lets go of the instance."""
        self._windows.clear()
        del self._uc, self._registers, self._clean

    def _map(self, region: Region) -> None:
        permissions: int = unicorn.UC_PROT_READ
        if region.writable:
            permissions |= unicorn.UC_PROT_WRITE
        if region.address in self._code:
            permissions |= unicorn.UC_PROT_EXEC
        try:
            self._uc.mem_map(physical(region.address), len(region.data), permissions)
        except unicorn.UcError as error:
            where = f"unicorn: region {region.name} at {region.address:016x}"
            raise HarnessError(
                where, "cannot be mapped", got=str(error), expected="pages that nothing else covers"
            ) from error
        self._uc.mem_write(physical(region.address), region.data)
        self._windows[region.address] = _Window(len(region.data), region.writable, region.data)

    def _how_it_stopped(self, error: int) -> Halt:
        if self._exception in TRAPS:
            return Halt(trap=TRAPS[self._exception])
        if error in ACCESS_TRAPS:
            return Halt(trap=ACCESS_TRAPS[error])
        if error != unicorn.UC_ERR_OK or self._exception is not None:
            got = f"exception {self._exception}, {unicorn.UcError(error)}"
            raise HarnessError("unicorn", "stopped for a reason that is not known", got=got)
        return Halt(returned=self._uc.reg_read(mips_const.UC_MIPS_REG_PC) == RETURN_ADDRESS)

    def _read_registers(self) -> tuple[tuple[int, ...], int]:
        return self._registers.read(), self._uc.reg_read(mips_const.UC_MIPS_REG_FCSR)

    def _on_exception(self, uc: unicorn.Uc, number: int, _data: object) -> None:
        self._exception = number
        uc.emu_stop()

    def _on_block(self, uc: unicorn.Uc, _address: int, size: int, _data: object) -> None:
        self._fuel -= size
        if self._fuel < 0:
            uc.emu_stop()

    def _on_boundary(self, uc: unicorn.Uc, _address: int, _size: int, boundary: Boundary) -> None:
        if self._call is None and self._halt is None:
            self._call, self._crossed = boundary, self._registers.read()
            uc.emu_stop()

    def _on_load(self, uc: unicorn.Uc, offset: int, size: int, page: int) -> int:
        window = self._device(uc, page + offset, "tlb-load")
        return self._world.load(window, page + offset, size) if window is not None and self._world else 0

    def _on_store(self, uc: unicorn.Uc, offset: int, size: int, value: int, page: int) -> None:
        window = self._device(uc, page + offset, "tlb-store")
        if window is not None and self._world is not None:
            self._world.store(window, page + offset, size, value)

    def _device(self, uc: unicorn.Uc, address: int, trap: str) -> DeviceWindow | None:
        """The window of a device access; None, and the run stops, where there is none or there were too many."""
        if self._halt is not None or self._outside is None:
            return None
        window = self._outside.window_at(address)
        if window is None or (self._world is not None and self._world.full):
            self._halt, self._found = Halt(trap=trap) if window is None else Halt(), self._read_registers()
            uc.emu_stop()
            return None
        return window

    def _on_wire(self, uc: unicorn.Uc, _address: int, _size: int, wire: Wire) -> None:
        halt = self._look(uc, wire)
        if halt is not None and self._halt is None:
            self._halt, self._found = halt, self._read_registers()
            uc.emu_stop()

    def _look(self, uc: unicorn.Uc, wire: Wire) -> Halt | None:
        """Judges an instruction that is about to run; None lets it run."""
        if wire.likely is not None and not self._is_taken(uc, wire.likely):
            return None
        if wire.guard is Guard.TRAP:
            return Halt(trap=wire.trap)
        if wire.guard is Guard.UNSUPPORTED:
            return Halt(unsupported=wire.why)
        assert wire.insn is not None  # all other guards look at an operand
        if wire.guard is Guard.STATUS:
            status = uc.reg_read(mips_const.UC_MIPS_REG_0 + wire.insn.t) & 0xFFFF_FFFF
            return Halt(unsupported=wire.why) if (status ^ self._route.status) & ~INTERRUPT_BITS else None
        base = uc.reg_read(mips_const.UC_MIPS_REG_0 + wire.insn.s)
        if wire.guard is Guard.STORE:
            return self._bad_store((base + wire.insn.imm) % (1 << 64), wire.alignment)
        return self._bad_target(base)

    def _is_taken(self, uc: unicorn.Uc, branch: Insn) -> bool:
        """Works out whether a branch is taken whose slot is about to run or to be skipped."""
        names = {"s": mips_const.UC_MIPS_REG_0 + branch.s, "t": mips_const.UC_MIPS_REG_0 + branch.t}
        names["fcsr"] = mips_const.UC_MIPS_REG_FCSR
        values = [uc.reg_read(names[name]) for name in branch.row.operands]
        return bool(branch.row.meaning(*map(sext64, values)))

    def _bad_store(self, address: int, alignment: int) -> Halt | None:
        """Judges the address of a store as the chip would."""
        if address % alignment or not _is_sign_extended(address):
            return Halt(trap="address-error-store", fault_address=address)
        if not is_unmapped_segment(address) or not self._is_writable(physical(address)):
            return Halt(trap="tlb-store", fault_address=address)
        return None

    def _is_writable(self, place: int) -> bool:
        starts = ((physical(start), window) for start, window in self._windows.items() if window.writable)
        return any(start <= place < start + window.size for start, window in starts)

    def _bad_target(self, target: int) -> Halt | None:
        """Judges the target of a register jump as the chip's fetch would."""
        if target % 4 or not _is_sign_extended(target):
            return Halt(trap="address-error-fetch", fault_address=target, early=True)
        executable = is_unmapped_segment(target) and physical(target) & -PAGE in self._executable
        if not executable and target not in self._boundaries:
            return Halt(trap="tlb-fetch", fault_address=target, early=True)
        return None
