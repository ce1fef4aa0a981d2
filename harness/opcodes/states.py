"""The states of a probe: its lattice of value classes, then chance; and what became of each bin."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from itertools import chain
from random import Random
from typing import Any

from harness.abi import Abi
from harness.engines.base import PAGE, MachineState, Outcome, Region
from harness.opcodes.bins import BinList, Values
from harness.opcodes.classes import width
from harness.opcodes.outcomes import UNSEEN, outcome_names, outcomes
from harness.opcodes.probe import RESULT, SPARE, UNIT, Operand, Probe
from harness.program.model import Function, Program
from harness.states.layout import base_state, window
from harness.states.words import sign_extended

#: States that are tried for one combination of classes before its bin is given up.
_TRIES = 6
#: States of chance behind the lattice, if nobody says how many.
CHANCE = 16


class ProbeStates:
    """Where the check of one probe gets its states from.

    ``most`` is how many there are at most; ``hits`` counts the compared states of each bin, ``given_up`` says why a
    state of a bin did not count. Nothing is drawn by Hypothesis: what to try is known.
    """

    drafts = None

    def __init__(
        self,
        probe: Probe,
        program: Program,
        function: Function,
        abi: Abi,
        fr: bool,
        seed: int = 0,
        chance: int = CHANCE,
    ) -> None:
        self.bins = BinList.of(probe)
        self.hits: Counter[str] = Counter()
        self.given_up = dict.fromkeys(outcome_names(probe), UNSEEN)
        self._probe = probe
        self._rng = Random(f"{seed} {probe.name}")
        self._chance = chance
        self._lattice = self.bins.lattice(self._rng)
        self._touches_memory = bool(probe.pointers)
        self._data = window(program).arena
        page = Region(self._data, bytes(PAGE), writable=True, name="data")
        self.base = self._with_pointers(base_state(program, function, abi, fr, (page,)), probe)
        self.most = _TRIES * len(self._lattice) + chance

    def names(self) -> Iterator[str]:
        """Every bin and every outcome, in order."""
        return chain(self.bins.all(), outcome_names(self._probe))

    def opening(self, states: int) -> Iterator[MachineState]:
        """One state for each combination of classes, more where the first ones do not count; then some of chance."""
        for classes in self._lattice:
            for _ in range(_TRIES):
                values = self.bins.values(classes, self._rng)
                yield self.state(values, self._rng)
                if all(name in self.hits for name in self.bins.hit(values)):
                    break
        for _ in range(self._chance):
            yield self.state(self.bins.anything(self._rng), self._rng)

    def family(self, draft: Any) -> Iterable[MachineState]:
        """Nothing: there are no drafts."""
        return ()

    def base_for(self, before: MachineState) -> MachineState:
        """The base of all of them."""
        return self.base

    def impossible(self) -> frozenset[tuple[int, bool]]:
        """Nothing is known of the probe's branches."""
        return frozenset()

    def judged(self, before: MachineState, discarded: str, outcome: Outcome) -> None:
        """Notes what became of a state: its bins are hit where it was compared."""
        values = self.values(before)
        if discarded:
            self.given_up |= dict.fromkeys(self.bins.hit(values), discarded)
        else:
            self.hits.update(chain(self.bins.hit(values), outcomes(self._probe, values, outcome)))

    def state(self, values: Values, rng: Random) -> MachineState:
        """The base state with the operands put in, and chance where results go and round what lies in memory."""
        gpr, fpr = list(self.base.gpr), list(self.base.fpr)
        special = {"hi": rng.getrandbits(64), "lo": rng.getrandbits(64), "fcsr": values[1]}
        gpr[RESULT], gpr[SPARE] = (sign_extended(rng.getrandbits(32)) for _ in range(2))
        fpr[:4] = [rng.getrandbits(64 if self.base.fr else 32) for _ in range(4)]
        data = bytearray(PAGE)
        if self._touches_memory:
            data[UNIT - 16 : UNIT + 32] = rng.randbytes(48)
        for operand, value in zip(self.bins.operands, values[0], strict=True):
            if operand.room == "gpr":
                gpr[operand.number] = sign_extended(value) if width(operand.kind) == 32 else value
            elif operand.room == "fpr":
                self._put_fpr(fpr, operand, value)
            elif operand.room == "data":
                size = width(operand.kind) // 8
                data[operand.number : operand.number + size] = value.to_bytes(size, "big")
            else:
                special[operand.room] = value
        memory = self._with_data(bytes(data))
        hi, lo, fcsr = special["hi"], special["lo"], special["fcsr"]
        return replace(self.base, gpr=tuple(gpr), fpr=tuple(fpr), hi=hi, lo=lo, fcsr=fcsr, memory=memory)

    def _put_fpr(self, fpr: list[int | None], operand: Operand, value: int) -> None:
        if width(operand.kind) == 64 and not self.base.fr:
            fpr[operand.number], fpr[operand.number + 1] = value & 0xFFFF_FFFF, value >> 32
        else:
            fpr[operand.number] = value

    def _with_data(self, data: bytes) -> tuple[Region, ...]:
        return tuple(
            replace(region, data=data) if region.address == self._data and data != region.data else region
            for region in self.base.memory
        )

    def _with_pointers(self, state: MachineState, probe: Probe) -> MachineState:
        gpr = list(state.gpr)
        for number, offset in probe.pointers.items():
            gpr[number] = self._data + offset
        return replace(state, gpr=tuple(gpr))

    def values(self, state: MachineState) -> Values:
        """The operands of a state, read back."""
        return tuple(self._value(state, operand) for operand in self.bins.operands), (state.fcsr or 0) & 3

    def _value(self, state: MachineState, operand: Operand) -> int:
        bits = width(operand.kind)
        if operand.room == "data":
            region = next(r for r in state.memory if r.address == self._data)
            return int.from_bytes(region.data[operand.number : operand.number + bits // 8], "big")
        if operand.room == "fpr":
            low = state.fpr[operand.number] or 0
            pair = bits == 64 and not state.fr
            return (state.fpr[operand.number + 1] or 0) << 32 | low if pair else low & (1 << bits) - 1
        registers = {"gpr": state.gpr, "hi": (state.hi,), "lo": (state.lo,), "fcsr": (state.fcsr,)}
        return (registers[operand.room][operand.number] or 0) & (1 << bits) - 1
