"""A probe: a tiny guest function round one opcode, and the inputs that are varied."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import combinations

from harness.opcodes.classes import ValueKind
from harness.opcodes.code import Code, R
from interp.optable import Kind, Row

#: Where the bytes lie that a probe loads or stores: an aligned doubleword, in bytes from the start of the data page.
UNIT = 0x100

#: Registers of probes: results where a caller of every convention looks, sources where it puts arguments.
RESULT, FIRST, SECOND, SPARE = R["v0"], R["a0"], R["a1"], R["v1"]
FP_RESULT, FP_FIRST, FP_SECOND, FP_SPARE = 0, 12, 14, 2

#: A register (or r0) for each pattern letter that is one.
Fields = dict[str, int]

_FORMATS = {16: ValueKind.SINGLE, 17: ValueKind.DOUBLE, 20: ValueKind.WORD, 21: ValueKind.LONG}
_ITEMS = {1: ValueKind.BYTE, 2: ValueKind.HALF, 4: ValueKind.WORD, 8: ValueKind.LONG}
#: Roles that are no place in the flow of control: the opcode by itself, and several opcodes that work together.
PLAIN, IDIOM = "plain", "idiom"

#: Pattern letter of each operand and result that a field of the word numbers.
LETTERS = {"s": "s", "t": "t", "d": "d", "ft": "t", "fs": "d", "fd": "a"}


@dataclass(frozen=True, slots=True)
class Operand:
    """A value that a probe takes in.

    ``room`` and ``number`` say where, as in ``states.words.Word``; in room "data" the number is a byte of the data
    page. A double in paired registers begins at an even ``number``.
    """

    name: str
    kind: ValueKind
    room: str
    number: int


@dataclass(frozen=True, slots=True)
class Probe:
    """One guest function that tries ``opcodes`` in one form and one role.

    ``pointers`` are registers that hold an address: bytes from the start of the data page. ``rounds`` says that the
    rounding mode matters; ``table`` are the labels that the data behind label "table" holds the addresses of;
    ``immediate`` is what the first operand meets, signed.
    """

    opcodes: tuple[str, ...]
    form: str
    role: str
    code: Code
    operands: tuple[Operand, ...] = ()
    pointers: Mapping[int, int] = field(default_factory=dict)
    rounds: bool = False
    table: tuple[str, ...] = ()
    immediate: int | None = None

    @property
    def name(self) -> str:
        """The symbol: opcode, form and role as one C identifier."""
        first = "idiom" if self.role == IDIOM else "_".join(self.opcodes)
        text = "__".join((first, self.form, *((self.role,) if self.role not in (PLAIN, IDIOM) else ())))
        return "".join(letter if letter.isalnum() else _SPELLED.get(letter, "_") for letter in text)


_SPELLED = {"=": "_is_", "-": "minus_"}


def operands_of(row: Row, numbers: Fields, address: int) -> tuple[Operand, ...]:
    """What the opcode reads with the given register numbers: each place once, register 0 left out.

    ``address`` is that of a load's bytes, from the start of the data page.
    """
    found: dict[tuple[str, int], Operand] = {}
    base = _place("s", numbers) if row.access else None
    for name in row.reads:
        place = _place(name, numbers)
        if place in (("gpr", 0), base) or (name == "fcsr" and row.kind is Kind.FLOAT):
            continue
        found.setdefault(place, Operand(name, kind_of(row, name), *place))
    if row.kind is Kind.LOAD:
        found["data", address] = Operand("mem", _memory_kind(row), "data", address)
    return tuple(found.values())


def _place(name: str, numbers: Fields) -> tuple[str, int]:
    if name not in LETTERS:
        return name, 0  # hi, lo, fcsr
    return "fpr" if name.startswith("f") else "gpr", numbers[LETTERS[name]]


def kind_of(row: Row, name: str) -> ValueKind:
    """What operand ``name`` of a row holds."""
    if name == "fcsr":
        return ValueKind.STATUS
    if row.results == ("fcsr",) and row.kind is Kind.ALU:
        return ValueKind.CONTROL
    if name.startswith("f"):
        by_width = ValueKind.SINGLE if row.fp_in == 32 else ValueKind.DOUBLE
        return _FORMATS.get(row.match >> 21 & 31, by_width) if row.kind is Kind.FLOAT else by_width
    if name == "s" and row.syntax == "d,t,s":
        return ValueKind.COUNT
    return ValueKind.WORD if name in row.word else ValueKind.LONG


def _memory_kind(row: Row) -> ValueKind:
    if row.fp_out:
        return ValueKind.SINGLE if row.fp_out == 32 else ValueKind.DOUBLE
    return _ITEMS[row.access]


def distinct(row: Row) -> Fields:
    """Register numbers that are all different: results first in v0 or f0, then sources in order."""
    numbers: Fields = {}
    general, floating = iter((FIRST, SECOND)), iter((FP_FIRST, FP_SECOND))
    for name in row.results:
        if name in LETTERS:
            numbers[LETTERS[name]] = FP_RESULT if name.startswith("f") else RESULT
    for name in row.reads:
        if name in LETTERS and LETTERS[name] not in numbers:
            numbers[LETTERS[name]] = next(floating if name.startswith("f") else general)
    return numbers


def register_forms(row: Row, fr: bool) -> Iterator[tuple[str, Fields]]:
    """The ways in which the registers of an opcode can fall together: a name, and the numbers."""
    plain = distinct(row)
    yield "distinct", plain
    names = [name for name in dict.fromkeys((*row.results, *row.reads)) if name in LETTERS]
    general = [name for name in names if not name.startswith("f")]
    floating = [name for name in names if name.startswith("f")]
    for group in (general, floating):
        for one, other in combinations(group, 2):
            yield f"{one}={other}", {**plain, LETTERS[other]: plain[LETTERS[one]]}
        if len(group) == 3:
            yield "=".join(group), {**plain, **{LETTERS[name]: plain[LETTERS[group[0]]] for name in group}}
    for name in general:
        if not (name == "s" and row.access):  # a base of 0 is an address that no program has
            yield f"{name}=0", {**plain, LETTERS[name]: 0}
    if floating and (fr or _may_be_odd(row)):
        yield "odd", {**plain, **{LETTERS[name]: plain[LETTERS[name]] + 1 for name in floating}}


def _may_be_odd(row: Row) -> bool:
    """Whether an odd register means something in pairs: a 32-bit move reaches the upper half of a double."""
    return row.kind is not Kind.FLOAT and 64 not in (row.fp_in, row.fp_out)
