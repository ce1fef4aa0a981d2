"""Answers what a running call of the translated C asks of the world outside."""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Any

from harness.config import Binding
from harness.engines.base import MachineState, Outcome, Region, StopKind
from harness.engines.outside import Outside, OutsideEvent
from harness.engines.world import World
from harness.translated import shared
from harness.translated.build import Library
from harness.translated.worker import Answer, Worker
from interp.optable import Loc

_LOW_WORD = 0xFFFF_FFFF


class Answering:
    """The world outside of one call; ``end`` is what the call came to where it was not to go on."""

    #: Whether all calls between translated functions are asked about, that of the entry itself among them.
    follows = False
    #: Processor time in seconds that the questions take, beside that of the call.
    allowance = 0.0

    def __init__(
        self,
        outside: Outside | None,
        library: Library,
        binding: Binding,
        process: Worker,
        before: MachineState,
        at_tie: Callable[[], bool] | None = None,
    ) -> None:
        self.end = Outcome(StopKind.RETURNED, None)
        self._world = World(outside, before) if outside is not None else None
        self._library = library
        self._process = process
        self._before = before
        self._binding = binding
        self._at_tie = at_tie

    @cached_property
    def _view(self) -> _View:
        return _View(self._binding, self._process, self._before.fr)

    @property
    def events(self) -> tuple[OutsideEvent, ...]:
        """What the call did outside so far."""
        return tuple(self._world.events) if self._world is not None else ()

    def answer(self) -> Answer:
        """Answers what the exchange asks."""
        return Answer.GO_ON if self._goes_on() else Answer.LEAVE

    def _goes_on(self) -> bool:
        if self._world is not None and self._world.full:
            self.end = Outcome(StopKind.HANG, None, detail="no end of what it does outside")
            return False
        exchange = self._process.exchange
        if exchange.request == shared.TIE:
            return self._at_tie is None or self._at_tie()
        if exchange.request == shared.CALL:
            return self._call(exchange.boundary)
        return self._access(exchange)

    def _call(self, number: int) -> bool:
        address = next(address for address, one in self._library.boundaries.items() if one == number)
        boundary = self._world.outside.boundaries.get(address) if self._world is not None else None
        if boundary is None or self._world is None:
            detail = f"calls the function at {address:016x}, which is outside of what is tested"
            self.end = Outcome(StopKind.EXTERNAL, None, detail=detail)
            return False
        self._world.call(boundary, self._view)
        return True

    def _access(self, exchange: Any) -> bool:
        """Lets a device answer; an address that is no device's is memory of the guest."""
        address, size, stores = exchange.address, exchange.bytes, exchange.request == shared.STORE
        window = self._world.outside.window_at(address) if self._world is not None else None
        if window is not None and self._world is not None:
            if stores:
                self._world.store(window, address, size, exchange.value)
            else:
                exchange.value = self._world.load(window, address, size)
            return True
        region = self._region(address, size)
        if region is None or (stores and not region.writable):
            detail = f"{'write' if stores else 'read'} at {address:016x} by a device hook, where there is no device"
            self.end = Outcome(StopKind.WILD, None, fault_address=address, detail=detail)
            return False
        if stores:
            self._view.write(address, (exchange.value & (1 << 8 * size) - 1).to_bytes(size, "big"))
        else:
            exchange.value = int.from_bytes(self._view.read(address, size), "big")
        return True

    def _region(self, address: int, size: int) -> Region | None:
        held = self._before.memory
        return next((one for one in held if one.address <= address and address + size <= one.end), None)


def put_register(registers: Any, loc: Loc, value: int) -> None:
    """Gives a register of the exchange an unsigned value."""
    kind, number = loc
    if kind in ("gpr", "fpr"):
        getattr(registers, kind)[number] = value
    else:
        setattr(registers, kind, value)


class _View:
    """The exchange of a waiting call as the world sees it."""

    def __init__(self, binding: Binding, process: Worker, fr: bool) -> None:
        self._process = process
        seen = {"gpr": True, "hi": binding.hi, "lo": binding.lo, "fcsr": binding.fcsr}
        self._seen = {name for name, text in seen.items() if text is not None}
        self._seen |= {"fpr"} if (binding.fpr if fr else binding.fpr_word) is not None else set()
        self._mask = (1 << 64) - 1 if fr else _LOW_WORD

    def get(self, loc: Loc) -> int | None:
        """The unsigned value of a register; None for one that is not bound."""
        kind, number = loc
        registers = self._process.exchange.registers
        if kind not in self._seen:
            return None
        if kind == "gpr":
            return int(registers.gpr[number]) if number else 0
        if kind == "fpr":
            return int(registers.fpr[number]) & self._mask
        return int(getattr(registers, kind)) & (_LOW_WORD if kind == "fcsr" else (1 << 64) - 1)

    def set(self, loc: Loc, value: int) -> None:
        """Gives a register an unsigned value."""
        put_register(self._process.exchange.registers, loc, value)

    def read(self, address: int, size: int) -> bytes:
        """The bytes at a guest address."""
        return self._process.memory.read(address, size)

    def write(self, address: int, data: bytes) -> None:
        """Puts bytes at a guest address."""
        self._process.memory.write(address, data)
