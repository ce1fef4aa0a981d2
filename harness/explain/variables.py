"""Which variables of the C hold which guest registers: told by their names, believed where passing states agree."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace

from harness.engines.base import MachineState
from harness.engines.translated import Sighting
from harness.explain.names import hinted
from harness.explain.ties import Tie
from harness.explain.watched import TiedFunction
from interp.optable import Loc
from interp.words import sext32, zext64


@dataclass(slots=True)
class Variables:
    """The register that each variable holds; those in ``refuted`` turned out to hold something else."""

    refuted: set[tuple[str, str]] = field(default_factory=set)  # (C function, variable)
    _origin: dict[Loc, tuple[int, tuple[str, str]]] = field(default_factory=dict)  # at the last tie
    _sightings: Counter[tuple[str, str]] = field(default_factory=Counter)
    _against: Counter[tuple[str, str]] = field(default_factory=Counter)
    _at: dict[Tie, list[tuple[int, Loc, tuple[str, str]]]] = field(default_factory=dict)

    def registers(self, tie: Tie, owner: TiedFunction, sighting: Sighting) -> MachineState:
        """The guest's registers as the C holds them at a tie: in its variables first."""
        state, self._origin = sighting.registers, {}
        held: dict[str, list[int | None]] = {}
        for index, loc, key in self._places(tie, owner):
            bits, width = sighting.variables[index]
            if key in self.refuted or width not in (4, 8):
                continue
            self._origin[loc] = index, key
            file = held.setdefault(loc[0], list(_file(state, loc[0])))
            file[loc[1]] = bits if width == 8 or loc[0] == "fpr" else zext64(sext32(bits))
        if not held:
            return state
        gpr, fpr = tuple(held.get("gpr", state.gpr)), tuple(held.get("fpr", state.fpr))
        return replace(state, gpr=gpr, fpr=fpr, hi=held.get("hi", [state.hi])[0], lo=held.get("lo", [state.lo])[0])

    def _places(self, tie: Tie, owner: TiedFunction) -> list[tuple[int, Loc, tuple[str, str]]]:
        """The variables at a tie that speak of a register: number, register, and the key they are refuted under."""
        if tie not in self._at:
            hints = [(n, hinted(name), (owner.c.name, name)) for n, name in enumerate(tie.variables)]
            self._at[tie] = [(n, loc, key) for n, loc, key in hints if loc is not None and loc != ("gpr", 0)]
        return self._at[tie]

    def learn(self, bound: MachineState, wrong: dict[Loc, tuple[int, int]]) -> None:
        """Counts what speaks for and against variables at the last tie, of a state that passes.

        Against one speaks that it is wrong and that the binding has what is right.
        """
        self._sightings.update(key for _, key in self._origin.values())
        for loc, (right, _) in wrong.items():
            if loc in self._origin and _file(bound, loc[0])[loc[1]] == right:
                self._against[self._origin[loc][1]] += 1

    def put_right(self, sighting: Sighting, wrong: dict[Loc, tuple[int, int]]) -> None:
        """Gives what was wrong at the last tie the value that it should have, wherever the C keeps it.

        A variable that was only read from the binding's place has a wrong value from there, and does not go back to it.
        """
        for loc, (right, value) in wrong.items():
            if loc in self._origin:
                sighting.put_variable(self._origin[loc][0], right)
            if loc not in self._origin or _file(sighting.registers, loc[0])[loc[1]] == value:
                sighting.put(loc, right)

    def judge(self) -> None:
        """Refutes the variables against which most sightings spoke; counts afresh."""
        self.refuted |= {key for key, count in self._against.items() if 2 * count > self._sightings[key]}
        self._against.clear()
        self._sightings.clear()


def _file(state: MachineState, name: str) -> tuple[int | None, ...]:
    """The registers of one file."""
    return {"gpr": state.gpr, "fpr": state.fpr, "hi": (state.hi,), "lo": (state.lo,)}[name]
