"""The tables of what lies outside of the code under test: externals, windows of devices, and overlaid segments."""

from __future__ import annotations

import re
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator
from pydantic.functional_validators import AfterValidator
from pydantic_core import PydanticCustomError

from harness.abi import GPR_NAMES
from harness.config.values import Address, LocalPath, Table

_PLACE = rf"(?:{'|'.join(GPR_NAMES[1:])}|[fd](?:[12]?[0-9]|3[01])|sp\+(?:0x[0-9a-f]+|[0-9]+))"
#: An argument: a general register, a single or double in floating-point registers, or a stack word away from sp.
PLACE = re.compile(_PLACE)
#: A run of guest memory: a pointer, and how many bytes from there on.
SPAN = re.compile(
    rf"(?P<pointer>{_PLACE})\[(?:(?P<text>text)|(?P<count>{_PLACE})(?:\*(?P<unit>[0-9]+))?|(?P<size>[0-9]+))\]"
)

#: What an external may give back, by name.
RESULTS = ("integer", "boolean", "wide", "float", "double", "none")

#: kseg0 and kseg1, the two views of physical memory that need no TLB.
_UNMAPPED = range(0xFFFF_FFFF_8000_0000, 0xFFFF_FFFF_C000_0000)


def _refusal(what: str, got: object, expected: str) -> PydanticCustomError:
    return PydanticCustomError("outside", what, {"got": str(got), "expected": expected})


def _place(text: str) -> str:
    if not PLACE.fullmatch(text):
        expected = 'a register such as "a0", "f12" or "d12", or a stack word "sp+16"'
        raise _refusal("names no argument", repr(text), expected)
    return text


def _span(text: str) -> str:
    if not SPAN.fullmatch(text):
        raise _refusal("names no memory", repr(text), '"a1[16]", "a1[a2]", "a1[a2*4]" or "a0[text]"')
    return text


def _result(value: str | tuple[int, ...]) -> str | tuple[int, ...]:
    named = isinstance(value, str) and (value in RESULTS or value in GPR_NAMES[1:])
    if not named and (isinstance(value, str) or not value):
        expected = f"{', '.join(RESULTS)}, an argument register, or a list of integers"
        raise _refusal("is no result", repr(value), expected)
    return value


def _unmapped(address: int) -> int:
    if address not in _UNMAPPED:
        raise _refusal("needs the TLB", f"{address:016x}", "an address in ffffffff80000000-ffffffffbfffffff")
    return address


def _instruction(address: int) -> int:
    if address % 4:
        raise _refusal("is no address of an instruction", f"{address:016x}", "a multiple of 4")
    return address


_Place = Annotated[str, AfterValidator(_place)]
_Span = Annotated[str, AfterValidator(_span)]
_Outside = Annotated[Address, AfterValidator(_unmapped)]
_Integer = Annotated[int, Field(ge=-(1 << 63), lt=1 << 64)]


class External(Table):
    """Functions that are no part of what is tested: a call of one is an event."""

    name: str = Field(
        min_length=1,
        description="Shell pattern of names of the guest image, functions or absolute symbols; with address, the name.",
        examples=["port_*"],
    )
    address: Annotated[_Outside, AfterValidator(_instruction)] | None = Field(
        default=None,
        description="Guest address of a function that the image has no name for.",
        examples=["0x80000400"],
    )
    arguments: tuple[_Place, ...] = Field(
        default=(),
        description='What it takes, and what alone is compared: registers such as "a0", singles "f12", doubles "d12", '
        'words of the stack "sp+16".',
        examples=[["a0", "a1"]],
    )
    reads: tuple[_Span, ...] = Field(
        default=(),
        description='Guest memory that it looks at, which is compared: "a1[16]" is 16 bytes where a1 points, "a1[a2]" '
        'as many as a2 says, "a1[a2*4]" four times as many, "a0[text]" all up to a zero byte.',
        examples=[["a1[a2]"]],
    )
    writes: tuple[_Span, ...] = Field(
        default=(), description="Guest memory that it fills with what is drawn, as in reads.", examples=[["a1[16]"]]
    )
    result: Annotated[str | tuple[_Integer, ...], AfterValidator(_result)] = Field(
        default="integer",
        description="What it gives, drawn: integer, boolean, wide (64 bits), float, double, none, one of a list of "
        "integers (in a third of the states always the same one), or what an argument register held.",
        examples=[[0, -1]],
    )


class Window(Table):
    """A range of guest addresses where a device answers."""

    name: str = Field(min_length=1, description="Name in reports.", examples=["crane"])
    address: _Outside = Field(description="First guest address, in kseg0 or kseg1.", examples=["0xa4f00000"])
    size: int = Field(gt=0, le=1 << 24, description="Size in bytes.", examples=[64])
    width: Literal[1, 2, 4, 8] = Field(
        default=4,
        description="Bytes of one register: where the C has no hooks for devices, accesses to its parts count as one.",
    )
    values: tuple[_Integer, ...] = Field(
        default=(),
        description="Values that reads should give now and then, besides all zeros, all ones and anything.",
        examples=[[1, 0x80]],
    )

    @property
    def end(self) -> int:
        """First address after the window."""
        return self.address + self.size

    @model_validator(mode="after")
    def _lies_in_registers(self) -> Self:
        if self.address % self.width or self.size % self.width:
            raise _refusal(
                "does not hold whole registers",
                f"{self.size} bytes at {self.address:016x}",
                f"multiples of width, which is {self.width}",
            )
        if self.end - 1 not in _UNMAPPED:
            raise _refusal("needs the TLB", f"{self.end - 1:016x}", "addresses in ffffffff80000000-ffffffffbfffffff")
        return self


class Segment(Table):
    """Code and data that share their addresses with other segments, and are loaded one at a time."""

    name: str = Field(pattern=r"^[\w.+-]+$", description="Name in reports.", examples=["harbour"])
    sections: tuple[str, ...] = Field(
        default=(), description="Shell patterns of the sections of an ELF image.", examples=[[".overlay.harbour*"]]
    )
    image: LocalPath | None = Field(default=None, description="Raw image of the segment.", examples=["harbour.bin"])
    base: Address | None = Field(
        default=None, description="Guest address of the first byte of that image.", examples=["0x80200000"]
    )
    functions: LocalPath | None = Field(
        default=None, description="Function list of that image, as in [guest].", examples=["harbour.txt"]
    )
    beside: tuple[str, ...] = Field(
        default=(), description="Other segments that are in memory at the same time.", examples=[["charts"]]
    )

    @model_validator(mode="after")
    def _has_something(self) -> Self:
        raw = (self.image, self.base, self.functions)
        whole = None not in raw
        if not whole and (raw != (None, None, None) or not self.sections):
            raise _refusal("has nothing to load", self.name, "sections of the ELF image, or image, base and functions")
        return self
