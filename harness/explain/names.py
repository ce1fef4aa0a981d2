"""The registers that names of variables speak of."""

from __future__ import annotations

import re

from harness.abi import GPR_NAMES
from interp.optable import Loc

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
