"""The table that corrects what the search for a function's inputs found, or accepts how far a check of it came."""

from __future__ import annotations

import re
from dataclasses import dataclass

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from harness.abi import GPR_NAMES
from harness.config.values import Table

#: What a call sets up is no argument.
_SET_UP = frozenset(("zero", "k0", "k1", "gp", "sp", "ra"))
_REGISTERS = "|".join(name for name in GPR_NAMES if name not in _SET_UP)
_PLACE = rf"(?:{_REGISTERS}|f(?:[12]?[0-9]|3[01])|sp\+(?:0x[0-9a-f]+|[0-9]+))"
_NUMBER = r"-?(?:0x[0-9a-f]+|[0-9]+)"
_HINT = re.compile(
    rf"(?P<place>{_PLACE}): (?:(?P<bytes>[0-9]+) bytes(?P<null> or null)?"
    rf"|length of (?P<of>{_PLACE})(?: by (?P<unit>[0-9]+))?"
    rf"|(?P<least>{_NUMBER}) to (?P<most>{_NUMBER})|one of (?P<values>{_NUMBER}(?:, {_NUMBER})*))"
)
#: Units: bytes that an object may have.
_MOST_BYTES = 0x6000


@dataclass(frozen=True, slots=True)
class Hint:
    """What one argument is; exactly one of ``values``, ``bytes`` and ``length_of`` says something.

    ``values`` are all values (a range may be long), ``bytes`` the size of the object that a pointer leads to,
    ``length_of`` the pointer to as many elements of ``unit`` bytes as the argument says at most.
    """

    place: str
    values: range | tuple[int, ...] = ()
    bytes: int | None = None
    null: bool = False
    length_of: str = ""
    unit: int = 1

    @classmethod
    def of(cls, text: str) -> Hint | None:
        """The hint that the file writes so; None for what is none."""
        found = _HINT.fullmatch(text)
        if found is None:
            return None
        place = found["place"]
        if found["bytes"]:
            return cls(place, bytes=int(found["bytes"]), null=found["null"] is not None)
        if found["of"]:
            return cls(place, length_of=found["of"], unit=int(found["unit"] or 1))
        if found["values"]:
            return cls(place, tuple(int(value, 0) for value in found["values"].split(", ")))
        return cls(place, range(int(found["least"], 0), int(found["most"], 0) + 1))

    @property
    def is_sound(self) -> bool:
        """Whether its numbers make sense."""
        if self.bytes is not None:
            return 0 < self.bytes <= _MOST_BYTES
        if self.length_of:
            return 0 < self.unit <= _MOST_BYTES and self.length_of != self.place
        if not self.values:
            return False
        ends = (self.values[0], self.values[-1]) if isinstance(self.values, range) else self.values
        return min(ends) >= -(1 << 63) and max(ends) < 1 << 64


class FunctionHints(Table):
    """What is known of functions that running them does not show."""

    pattern: str = Field(min_length=1, description="Shell pattern of function names.", examples=["adpcm_*"])
    accept: str = Field(
        default="",
        description="Why it will do if under half of the states are compared, or of the instructions reached: the "
        "verdict is agree then, with this as a note.",
        examples=["the other half reports faults of the cartridge"],
    )
    arguments: tuple[str, ...] = Field(
        default=(),
        description="What arguments (registers, or words on the stack such as sp+16) are, where the search takes them "
        'for something else: "a0: 64 bytes" for a pointer to so many, "a0: 64 bytes or null", "a1: length of a0 by 2" '
        'for at most the number of elements of 2 bytes that a0 leads to, "a2: 0 to 63", "a3: one of 1, 2, 4".',
        examples=[["a0: 64 bytes", "a1: length of a0 by 2"]],
    )

    @field_validator("arguments")
    @classmethod
    def _are_hints(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        for text in texts:
            hint = Hint.of(text)
            if hint is None or not hint.is_sound:
                expected = 'a text like "a0: 64 bytes", "a1: length of a0 by 2", "a2: 0 to 63" or "a3: one of 1, 2, 4"'
                raise PydanticCustomError(
                    "outside", "says nothing of an argument", {"got": repr(text), "expected": expected}
                )
        return texts

    @property
    def hints(self) -> tuple[Hint, ...]:
        """What it says of the arguments."""
        return tuple(hint for text in self.arguments if (hint := Hint.of(text)) is not None)
