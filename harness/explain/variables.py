"""Which variables of the C hold which guest registers: told by their names, believed where passing states agree."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

from harness.engines.base import MachineState
from harness.engines.translated import Sighting
from harness.explain.ties import Tie
from harness.explain.watched import TiedFunction
from interp.optable import GPR_NAMES, Loc

_BY_NAME: dict[str, Loc] = {
    **{name: ("gpr", n) for n, name in enumerate(GPR_NAMES)},
    "fp": ("gpr", 30),
    "hi": ("hi", 0),
    "lo": ("lo", 0),
}
_NUMBERED = re.compile(r"(?:^|.*?[^0-9])(\d{1,2})$")
_FLOATING = re.compile(r"^(?:.*[^a-z])?f(?:pr|p|r|reg)?_?\d+$")


def hinted(name: str) -> Loc | None:
    """The register that a variable's name speaks of: ``a0``, ``var_a0``, ``x4``, ``r4``, ``f12``, ``xhi``."""
    low = name.lower()
    for part in (low, *reversed(low.split("_"))):
        if part in _BY_NAME:
            return _BY_NAME[part]
    if low.endswith(("hi", "lo")) and len(low) <= 4:
        return (low[-2:], 0)
    found = _NUMBERED.match(low)
    if found is None or int(found[1]) > 31:
        return None
    return ("fpr" if _FLOATING.match(low) else "gpr", int(found[1]))


@dataclass(slots=True)
class Variables:
    """The register that each variable holds; those in ``refuted`` turned out to hold something else."""

    refuted: set[tuple[str, str]] = field(default_factory=set)  # (C function, variable)
    _origin: dict[Loc, tuple[str, str]] = field(default_factory=dict)  # at the last tie

    def registers(self, tie: Tie, owner: TiedFunction, sighting: Sighting) -> MachineState:
        """The guest's registers as the C holds them at a tie: in its variables first."""
        state = sighting.registers
        gpr, fpr, special = list(state.gpr), list(state.fpr), {"hi": state.hi, "lo": state.lo}
        self._origin = {}
        for name, (bits, width) in zip(tie.variables, sighting.variables, strict=True):
            loc, key = hinted(name), (owner.c.name, name)
            if loc is None or loc == ("gpr", 0) or key in self.refuted or width not in (4, 8):
                continue
            self._origin[loc] = key
            value = bits
            if width == 4 and loc[0] != "fpr":
                value = (bits ^ 0x8000_0000) - 0x8000_0000 & 0xFFFF_FFFF_FFFF_FFFF
            if loc[0] == "gpr":
                gpr[loc[1]] = value
            elif loc[0] == "fpr":
                fpr[loc[1]] = value
            else:
                special[loc[0]] = value
        return replace(state, gpr=tuple(gpr), fpr=tuple(fpr), hi=special["hi"], lo=special["lo"])

    def learn(self, bound: MachineState, wrong: dict[Loc, tuple[int, int]]) -> None:
        """Refutes variables at the last tie, of a state that passes, where the binding has what is right."""
        for loc, (right, _) in wrong.items():
            values = {"gpr": bound.gpr, "fpr": bound.fpr, "hi": (bound.hi,), "lo": (bound.lo,)}.get(loc[0], ())
            if loc in self._origin and values[loc[1]] == right:
                self.refuted.add(self._origin[loc])
