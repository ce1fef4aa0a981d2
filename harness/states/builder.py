"""A state in the making: inputs are written to their places, regions are copied when they are first written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.abi import SP
from harness.engines.base import MachineState
from harness.errors import HarnessError
from harness.states.model import Place
from harness.states.words import Word, is_canonical, sign_extended, value_of


class StateBuilder:
    """Makes a state out of ``base``; block ``n`` lies at ``block_addresses[n]``."""

    def __init__(self, base: MachineState, block_addresses: Sequence[int]) -> None:
        self.base = base
        self.gpr = list(base.gpr)
        self.fpr = list(base.fpr)
        self.hi, self.lo, self.fcsr = base.hi, base.lo, base.fcsr
        self._sp = value_of(base, Word("gpr", SP))
        self._block_addresses = block_addresses
        self._copies: dict[int, bytearray] = {}

    def write(self, place: Place, value: int) -> None:
        """Puts ``value``, cut to the size of the place, where ``place`` says; a word stays canonical if it was."""
        if place.room == "gpr":
            self.gpr[place.number] = _with_part(self.gpr[place.number], place, value)
        elif place.room == "fpr":
            self.fpr[place.number] = _with_part(self.fpr[place.number], place, value, width=8 if self.base.fr else 4)
        elif place.room == "hi":
            self.hi = _with_part(self.hi, place, value)
        elif place.room == "lo":
            self.lo = _with_part(self.lo, place, value)
        else:
            self.write_bytes(self._address(place), (value & ((1 << 8 * place.size) - 1)).to_bytes(place.size, "big"))

    def write_bytes(self, address: int, data: bytes) -> None:
        """Puts bytes into the region that holds ``address``.

        Errors: ``HarnessError`` when no region holds all of them.
        """
        for index, region in enumerate(self.base.memory):
            if region.address <= address and address + len(data) <= region.end:
                copy = self._copies.setdefault(index, bytearray(region.data))
                start = address - region.address
                copy[start : start + len(data)] = data
                return
        raise HarnessError("states", "an input lies outside every region", got=f"{address:016x}")

    def state(self) -> MachineState:
        """The finished state."""
        memory = tuple(
            replace(region, data=bytes(self._copies[index])) if index in self._copies else region
            for index, region in enumerate(self.base.memory)
        )
        return replace(
            self.base,
            gpr=tuple(self.gpr),
            hi=self.hi,
            lo=self.lo,
            fpr=tuple(self.fpr),
            fcsr=self.fcsr,
            memory=memory,
        )

    def _address(self, place: Place) -> int:
        if place.room == "block":
            return self._block_addresses[place.number] + place.offset
        return self._sp + place.offset if place.room == "stack" else place.offset


def _with_part(register: int | None, place: Place, value: int, width: int = 8) -> int:
    """A register of ``width`` bytes with those of ``place`` changed, byte 0 being the most significant one."""
    before = register or 0
    low = 8 * (width - place.offset - place.size)
    mask = ((1 << 8 * place.size) - 1) << low
    changed = before & ~mask | value << low & mask
    is_low_part = place.room != "fpr" and place.offset >= 4
    return sign_extended(changed) if is_low_part and is_canonical(before) else changed
