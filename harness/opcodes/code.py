"""Guest code of probes in the making: instructions with names for registers and places, laid out and encoded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.abi import GPR_NAMES
from harness.program.assembly import encode

#: Numbers of the general registers by their names.
R = {name: number for number, name in enumerate(GPR_NAMES)}


@dataclass(frozen=True, slots=True)
class To:
    """A field that holds a place: ``label`` is one of the code at hand, or a name that its surroundings know.

    ``part`` says how: "branch" and "jump" as such instructions do, "high" and "low" as the halves of LUI and ADDIU.
    """

    label: str
    part: str


class Item:
    """A line or a label."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Line(Item):
    """One instruction: the name of its row and its fields by pattern letter."""

    name: str
    fields: Mapping[str, int | To]


@dataclass(frozen=True, slots=True)
class Label(Item):
    """A place in the code."""

    name: str


Code = Sequence[Item]


def line(name: str, **fields: int | To) -> Line:
    """One instruction."""
    return Line(name, fields)


def nop() -> Line:
    """SLL with nothing but zeros."""
    return Line("sll", {})


def move(to: int, source: int) -> Line:
    """Copies a register, all 64 bits."""
    return Line("or", {"d": to, "s": source, "t": 0})


def constant(to: int, value: int) -> Line:
    """A small number into a register."""
    return Line("addiu", {"t": to, "s": 0, "i": value})


def address_of(to: int, label: str) -> tuple[Line, Line]:
    """The address of a place into a register."""
    return (
        Line("lui", {"t": to, "i": To(label, "high")}),
        Line("addiu", {"t": to, "s": to, "i": To(label, "low")}),
    )


def branch(name: str, label: str, **fields: int) -> Line:
    """A branch to a place."""
    return Line(name, {**fields, "i": To(label, "branch")})


def returns(slot: Line | None = None) -> tuple[Line, Line]:
    """The end of a function, with its delay slot."""
    return Line("jr", {"s": R["ra"]}), slot or nop()


def instructions(code: Code) -> int:
    """How many words the code has."""
    return sum(isinstance(item, Line) for item in code)


def assemble(code: Code, address: int, outside: Mapping[str, int]) -> tuple[int, ...]:
    """The words of ``code`` at ``address``; ``outside`` gives the addresses of the labels that it does not have."""
    places = {**outside, **labels(code, address)}
    return tuple(_encoded(item, at, places) for item, at in _addressed(code, address) if isinstance(item, Line))


def _addressed(code: Code, address: int) -> Iterator[tuple[Item, int]]:
    for item in code:
        yield item, address
        address += 4 * isinstance(item, Line)


def labels(code: Code, address: int) -> dict[str, int]:
    """The addresses of the labels of ``code`` at ``address``."""
    return {item.name: at for item, at in _addressed(code, address) if isinstance(item, Label)}


def _encoded(item: Line, address: int, places: Mapping[str, int]) -> int:
    fields = {
        letter: number if isinstance(number, int) else _field(places[number.label], number.part, address)
        for letter, number in item.fields.items()
    }
    return encode(item.name, **fields)


def _field(place: int, part: str, address: int) -> int:
    if part == "branch":
        return (place - address - 4) // 4
    if part == "jump":
        return place >> 2 & 0x03FF_FFFF
    high = place + 0x8000 >> 16 & 0xFFFF
    return high if part == "high" else (place & 0xFFFF) - (place << 1 & 0x1_0000)
