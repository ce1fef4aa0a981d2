"""The translated leg: runs the compiled C of a translator in a worker process."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from harness.config import Binding, Build, MemoryOrder
from harness.engines.answering import Answering, put_register
from harness.engines.base import MachineState, Outcome, Region, StopKind, Target, boundary_pages
from harness.errors import HarnessError
from harness.translated import shared
from harness.translated.binding import function_name
from harness.translated.build import MISSING, Library
from harness.translated.crossings import NamedFunction
from harness.translated.shared import ffi
from harness.translated.symbols import function_at
from harness.translated.worker import Death, Worker
from interp.optable import Loc

_LOW_WORD = 0xFFFF_FFFF

#: What a refused instruction of the host most likely means.
_SIGNAL_WORDS = {
    signal.SIGFPE: "host division by zero, or its quotient does not fit",
    signal.SIGILL: "illegal host instruction: a trap that the compiler put in, or damaged code",
    signal.SIGTRAP: "host trap instruction: a trap that the compiler put in",
    signal.SIGABRT: "abort()",
}
_PLACE_WORDS = {
    shared.BELOW_STACK: "host stack overflow: calls without end, or too large a frame",
    shared.ABOVE_STACK: "host stack overrun: something wrote beyond its frame",
    shared.NOWHERE: "access to a host address that cannot exist",
}


@dataclass(frozen=True, slots=True)
class Sighting:
    """What the C holds where it has come to a tied line: the number of the tie, registers, variables, and memory.

    ``registers`` is a state without memory; ``variables`` are bits in the order in which the C names them there, with
    their widths in bytes. ``read`` gives bytes of the guest's memory by address and size. ``put`` gives a register or a
    byte of memory another value, and ``put_variable`` a variable by its number, where the C is compiled to take that.
    """

    number: int
    registers: MachineState
    variables: tuple[tuple[int, int], ...]
    read: Callable[[int, int], bytes]
    put: Callable[[Loc, int], None]
    put_variable: Callable[[int, int], None]


class Translated:
    """An ``Engine`` on one compiled library; a crash, a hang or a stray access of the C is an outcome.

    ``watcher`` is told of each tied line that the C comes to (``harness/translated/tie.h``), and says whether the call
    is to go on. ``answers`` makes what answers the questions of one run.
    """

    def __init__(self, build: Build, library: Library) -> None:
        if build.translated is None:
            raise HarnessError(str(build.file), "a translated leg without a [translated] table")
        self.name = library.compiler.command
        self.version = library.compiler.version
        self._binding = build.translated.binding
        self._seconds = build.translated.seconds
        self._library = library
        self._target: Target | None = None
        self._code: tuple[Region, ...] = ()
        self._worker: Worker | None = None
        self._memory: tuple[Sequence[Region], tuple[Region, ...]] = ((), ())
        self.watcher: Callable[[Sighting], bool] | None = None
        self.answers: Callable[..., Answering] = Answering

    def load(self, target: Target) -> None:
        """Makes ``target`` the function that ``run`` calls; one that the C lacks makes each run UNSUPPORTED."""
        self._target = target
        self._memory = ((), ())
        self._code = (*target.code, *boundary_pages(target.outside, target.code))

    def c_name(self, function: NamedFunction) -> str:
        """The name under which the C has ``function``, if it has it."""
        return function_name(self._binding, function.name, function.address, function.segment)

    def start(self) -> None:
        """Starts the worker now rather than at the first call.

        Errors: ``UsageError`` for a library that cannot be loaded.
        """
        self._live_worker()

    def run(self, before: MachineState, fuel: int) -> Outcome:
        """Calls the translated function from ``before``; ``fuel`` is not counted, the binding's time limit holds."""
        if self._target is None:
            raise HarnessError(self.name, "run without a loaded function")
        number = self._library.entries.get(self._target.entry)
        if number is None:
            reason = self._library.missing.get(self._target.entry, MISSING)
            return Outcome(StopKind.UNSUPPORTED, None, detail=reason)
        process = self._live_worker()
        _put_registers(process.exchange.registers, before)
        outside = self.answers(
            self._target.outside, self._library, self._binding, process, before, lambda: self._sighted(process, before)
        )
        memory = self._all_memory(before.memory, self._code)
        spared = -1 if outside.follows else self._library.boundaries.get(self._target.entry, -1)
        death = process.run(number, memory, outside.answer, spared, outside.follows, outside.allowance)
        if death is None and process.exchange.stop == shared.RETURNED:
            after = self._after(process, before)
            return Outcome(StopKind.RETURNED, after, detail=_remarks(process), outside=outside.events)
        if death is None and process.exchange.stop == shared.LEFT:
            return replace(outside.end, outside=outside.events)
        return replace(self._stopped(process, death), outside=outside.events)

    def close(self) -> None:
        """Ends the worker process."""
        if self._worker is not None:
            self._worker.close()
            self._worker = None

    def _live_worker(self) -> Worker:
        """The worker of this process; a copy made by a fork starts its own."""
        if self._worker is not None and self._worker.owner != os.getpid():
            self.close()
        if self._worker is None:
            swapped = self._binding.memory_order is MemoryOrder.WORD_SWAPPED
            self._worker = Worker(self._library, swapped, self._binding.memory_base, self._seconds)
        return self._worker

    def _all_memory(self, memory: tuple[Region, ...], code: Sequence[Region]) -> tuple[Region, ...]:
        """The state's regions and those of the code that it does not have itself; the harness's own stay last."""
        known, whole = self._memory
        if known is not memory:
            missing = [one for one in code if not any(r.address <= one.address < r.end for r in memory)]
            whole = (*memory, *missing)
            self._memory = (memory, whole)
        return whole

    def _sighted(self, process: Worker, before: MachineState) -> bool:
        """Tells the watcher what the C holds at a tied line; says whether the call is to go on."""
        if self.watcher is None:
            return True
        exchange = process.exchange
        count = exchange.seen_count
        seen = zip(ffi.unpack(exchange.seen, 64)[:count], ffi.unpack(exchange.seen_bytes, 64)[:count], strict=True)
        registers = self._registers(process, before)

        def put(loc: Loc, value: int) -> None:
            if loc[0] == "mem":
                process.memory.write(loc[1], bytes([value]))
                return
            put_register(exchange.registers, loc, value)
            exchange.put_registers = 1

        def put_variable(number: int, bits: int) -> None:
            exchange.seen[number] = bits
            exchange.put_variables |= 1 << number

        read = process.memory.read
        return self.watcher(Sighting(exchange.boundary, registers, tuple(seen), read, put, put_variable))

    def _after(self, process: Worker, before: MachineState) -> MachineState:
        return replace(self._registers(process, before), memory=process.regions_after()[: len(before.memory)])

    def _registers(self, process: Worker, before: MachineState) -> MachineState:
        registers = process.exchange.registers
        bound = self._binding
        fpr = ffi.unpack(registers.fpr, 32)
        if not before.fr:
            fpr = [value & _LOW_WORD for value in fpr]
        has_fpr = (bound.fpr if before.fr else bound.fpr_word) is not None
        return MachineState(
            pc=None,
            gpr=(0, *ffi.unpack(registers.gpr, 32)[1:]),
            hi=registers.hi if bound.hi is not None else None,
            lo=registers.lo if bound.lo is not None else None,
            fpr=tuple(fpr) if has_fpr else (None,) * 32,
            fcsr=registers.fcsr & _LOW_WORD if bound.fcsr is not None else None,
            fr=before.fr,
            memory=(),
        )

    def _stopped(self, process: Worker, death: Death | None) -> Outcome:
        """What a run that did not return came to."""
        exchange = process.exchange
        text = ffi.string(exchange.text).decode(errors="replace")
        if exchange.stop == shared.FAILED:
            raise HarnessError(f"worker of {self._library.path}", "cannot run a call", got=text)
        if exchange.stop == shared.EXTERNAL:
            return Outcome(StopKind.EXTERNAL, None, detail=f"calls {text}, which no source defines")
        if exchange.stop == shared.HANG or (death is not None and death.status is None):
            detail = f"no end after {self._seconds} s of processor time{self._place(exchange)}"
            return Outcome(StopKind.HANG, None, detail=detail)
        if exchange.stop == shared.WILD:
            address = _guest_address(self._binding, exchange.fault)
            outside = self._target.outside if self._target is not None else None
            window = outside.window_at(address) if outside is not None else None
            if window is not None:
                keys = "[translated.binding] device_read and device_write say how the C can reach devices"
                return Outcome(StopKind.UNSUPPORTED, None, detail=f"{window.name} is in {{memory}}; {keys}")
            return Outcome(StopKind.WILD, None, fault_address=address, detail=self._wild(exchange, address))
        printed = process.printed() if death is not None or exchange.printed else ""
        detail = self._crash(exchange, death) + (f"; it printed: {printed}" if printed else "")
        return Outcome(StopKind.CRASH, None, detail=detail)

    def _wild(self, exchange: Any, address: int) -> str:
        access = "write" if exchange.wrote else "access"
        far = (
            "" if 0 <= exchange.fault < 1 << 32 else f" ({{memory}} {exchange.fault:+#x}: an address wrongly extended)"
        )
        return f"{access} at {address:016x}, which the state does not allow{far}{self._place(exchange)}"

    def _crash(self, exchange: Any, death: Death | None) -> str:
        if exchange.stop == shared.PENDING and death is not None and death.status is not None:
            if death.status >= 0:
                return f"the C ended its process with exit status {death.status}"
            return f"the process was killed by {_signal_name(-death.status)}"
        words = _SIGNAL_WORDS.get(exchange.signal) or _PLACE_WORDS.get(exchange.place)
        if words is None:
            access = "write to" if exchange.wrote else "access to"
            words = f"{_signal_name(exchange.signal)}: {access} host address {exchange.fault & (1 << 64) - 1:#x}"
        return words + self._place(exchange)

    def _place(self, exchange: Any) -> str:
        """``, in <C function>`` where the host stopped, if that is in the library."""
        name = function_at(self._library.path, exchange.host_pc)
        return f", in {name}" if name else ""


def _put_registers(registers: Any, before: MachineState) -> None:
    try:
        registers.gpr = (0, *before.gpr[1:])
        registers.hi, registers.lo, registers.fcsr = before.hi, before.lo, before.fcsr
        registers.fpr = before.fpr
    except TypeError:
        raise HarnessError("state", "a register before a call has no value") from None


def _remarks(process: Worker) -> str:
    """What is worth telling about a call that returned."""
    remarks = []
    if process.exchange.changed_fp:
        remarks.append("left the host's rounding mode or floating-point control changed")
    if process.exchange.printed:
        remarks.append(f"printed: {process.printed()}")
    return "; ".join(remarks)


def _guest_address(binding: Binding, position: int) -> int:
    """The guest address at a position in guest memory, sign-extended from its 32 bits."""
    low = (binding.memory_base + position) & _LOW_WORD
    return low | 0xFFFF_FFFF_0000_0000 if low & 0x8000_0000 else low


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
