"""A state in the making: inputs are written to their places, regions are copied when they are first written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from harness.abi import SP
from harness.engines.base import MachineState
from harness.errors import HarnessError
from harness.states.model import Place
from harness.states.words import Word, value_of


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
        """Puts ``value``, cut to the size of the place, where ``place`` says."""
        if place.room == "gpr":
            self.gpr[place.number] = value & 0xFFFF_FFFF_FFFF_FFFF
        elif place.room == "fpr":
            self.fpr[place.number] = value & (0xFFFF_FFFF_FFFF_FFFF if self.base.fr else 0xFFFF_FFFF)
        elif place.room == "hi":
            self.hi = value & 0xFFFF_FFFF_FFFF_FFFF
        elif place.room == "lo":
            self.lo = value & 0xFFFF_FFFF_FFFF_FFFF
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
