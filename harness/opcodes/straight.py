"""Probes of opcodes that go straight on: arithmetic, moves, loads and stores, traps, floating point."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from harness.opcodes.classes import ValueKind
from harness.opcodes.code import Code, Label, Line, branch, constant, line, nop, returns
from harness.opcodes.probe import (
    FP_RESULT,
    FP_SPARE,
    LETTERS,
    PLAIN,
    RESULT,
    SPARE,
    UNIT,
    Fields,
    Operand,
    Probe,
    distinct,
    operands_of,
    register_forms,
)
from interp.optable import Kind, Row
from interp.words import sext

_SIGNED = (0, 1, -1, 2, 0xFF, -0x100, 0x5555, 0x7FFF, -0x8000)
_UNSIGNED = (0, 1, 0xFF, 0x5555, 0x7FFF, 0x8000, 0xFF00, 0xFFFF)
_CODES = (0, 1, 0x3FF)
#: What stands in a field that a form does not vary.
_USUAL = {"i": 0x1234, "a": 7, "c": 0}
#: Shown by the code that a taken branch leaves out.
_SKIPPED = 77


def straight_probes(row: Row, fr: bool) -> Iterator[Probe]:
    """Every form of an opcode by itself, then its usual form in every role."""
    for form, numbers in register_forms(row, fr):
        yield _probe(row, fr, form, numbers)
    for form, fields in _field_forms(row):
        yield _probe(row, fr, form, distinct(row), fields)
    for form, place in _places(row):
        yield _probe(row, fr, form, distinct(row), place=place)
    yield from _roles(row, fr)


def _field_forms(row: Row) -> Iterator[tuple[str, Mapping[str, int]]]:
    if row.access:
        return
    operands = row.syntax.split(",")
    values = {"i": _SIGNED, "u": _UNSIGNED}.get(operands[-1], ()) if "i" in row.fields else ()
    yield from ((f"{operands[-1]}={value}", {"i": value}) for value in values)
    if operands[-1] == "a":
        yield from ((f"a={amount}", {"a": amount}) for amount in range(32))
    if operands[-1] == "code":
        yield from ((f"code={code}", {"c": code}) for code in _CODES)


#: Byte in the data page, and the immediate that reaches it.
_Place = tuple[int, int]


def _places(row: Row) -> Iterator[tuple[str, _Place]]:
    """Where a load or store goes: each byte of the unit that it may, by immediates of each class."""
    if not row.access:
        return
    step = 1 if row.reach else row.access
    for byte in range(step, 8, step):
        yield f"byte={byte}", (UNIT + byte, 0)
    for immediate in (row.access, -row.access, 0x7FF8, -0x8000):
        yield f"i={immediate}", (UNIT, immediate)


def _probe(
    row: Row,
    fr: bool,
    form: str,
    numbers: Fields,
    fields: Mapping[str, int] | None = None,
    place: _Place = (UNIT, 0),
) -> Probe:
    it = opcode(row, numbers, place[1], fields)
    code = [*_before(row, place[1]), it, *_after(row, numbers), *returns()]
    return _made(row, fr, form, PLAIN, code, numbers, place, immediate=_immediate(row, it))


def _immediate(row: Row, it: Line) -> int | None:
    """What the register of an opcode is added to, compared with, and so on."""
    value = it.fields.get("i")
    if row.access or not row.reads or not isinstance(value, int):
        return None
    return value if "u" in row.operands else sext(value, 16)


def _made(
    row: Row,
    fr: bool,
    form: str,
    role: str,
    code: Code,
    numbers: Fields,
    place: _Place = (UNIT, 0),
    more: Iterable[Operand] = (),
    immediate: int | None = None,
) -> Probe:
    operands = operands_of(row, numbers, _item(row, place[0]))
    return Probe(
        (row.name,),
        form,
        role,
        code,
        operands=(*operands, *more),
        pointers={numbers["s"]: place[0] - place[1]} if row.access and "s" in row.reads else {},
        rounds="rm" in row.operands,
        immediate=immediate,
    )


def _item(row: Row, byte: int) -> int:
    """Where the item begins that an access at ``byte`` takes its bytes from."""
    return byte // row.access * row.access if row.access else 0


def opcode(row: Row, numbers: Fields, immediate: int = 0, fields: Mapping[str, int] | None = None) -> Line:
    """The opcode itself; fields that nobody gives hold something usual."""
    usual = {letter: value for letter, value in _USUAL.items() if letter in row.fields and letter not in numbers}
    if row.access:
        usual["i"] = immediate
    if row.syntax.endswith(",k"):
        usual["d"] = 31  # FCR31
    return Line(row.name, {**usual, **numbers, **(fields or {})})


def _before(row: Row, immediate: int = 0) -> Code:
    """A conditional store has something to store only behind the linked load of its address."""
    if row.kind is Kind.STORE and row.results:
        return (line("ll" if row.access == 4 else "lld", t=SPARE, s=distinct(row)["s"], i=immediate),)
    return ()


def _after(row: Row, numbers: Fields) -> Code:
    """What makes the results visible to a caller; of a trap, that it did not stop the function."""
    if not row.results:
        return (constant(RESULT, 5),) if row.kind is Kind.TRAP else ()
    if row.results == ("fcsr",):
        return _condition() if row.kind is Kind.FLOAT else (line("cfc1", t=RESULT, d=31),)
    if set(row.results) & {"hi", "lo"}:
        reads = ("mflo", RESULT), ("mfhi", SPARE)
        return tuple(line(name, d=to) for name, to in reads if name[2:] in row.results)
    target = row.results[0]
    number = numbers[LETTERS[target]]
    if target.startswith("f"):
        return _moved(row, number) if number not in (FP_RESULT, FP_RESULT + (row.kind is not Kind.FLOAT)) else ()
    return (constant(RESULT, 5),) if number == 0 else ()


def _condition() -> Code:
    """v0 is 1 where C is set, else 2."""
    return (nop(), branch("bc1t", "set"), constant(RESULT, 1), constant(RESULT, 2), Label("set"))


def _moved(row: Row, number: int) -> Code:
    return (line("mov.d" if row.fp_out == 64 else "mov.s", a=FP_RESULT, d=number),)


def _roles(row: Row, fr: bool) -> Iterator[Probe]:
    """The usual form in delay slots, and right before something that uses its result."""
    numbers = distinct(row)
    it = opcode(row, numbers)
    before, after = _before(row), _after(row, numbers)
    skipped = constant(SPARE, _SKIPPED)
    zero = {"s": 0, "t": 0}
    for role, name in (("taken", "beq"), ("untaken", "bne"), ("likely_taken", "beql"), ("likely_untaken", "bnel")):
        code = [*before, branch(name, "on", **zero), it, skipped, Label("on"), *after, *returns()]
        yield _made(row, fr, "distinct", f"slot_{role}", code, numbers)
    if not after:
        yield _made(row, fr, "distinct", "slot_return", [*before, *returns(it)], numbers)
    if row.results and row.results[0] in ("d", "t") and RESULT not in (numbers[LETTERS[r]] for r in _general(row)):
        old = Operand("old", ValueKind.WORD, "gpr", RESULT)
        code = [*before, branch("bgez", "on", s=RESULT), it, skipped, Label("on"), *returns()]
        yield _made(row, fr, "distinct", "slot_changes_condition", code, numbers, more=(old,))
    if use := _use(row):
        yield _made(row, fr, "distinct", "used", [*before, it, use, *after, *returns()], numbers)


def _general(row: Row) -> tuple[str, ...]:
    return tuple(name for name in row.reads if name in ("s", "t", "d"))


def _use(row: Row) -> Line | None:
    """An instruction that takes the result at once; None where there is none to take."""
    if row.kind is Kind.STORE and not row.results:
        return line("ld", t=RESULT, s=distinct(row)["s"], i=0) if not row.fp_in else line("ldc1", t=FP_RESULT, s=4, i=0)
    if not row.results or row.results[0] not in LETTERS:
        return None
    if not row.results[0].startswith("f"):
        return line("daddu", d=SPARE, s=RESULT, t=RESULT)
    return line("mov.d" if row.fp_out == 64 else "mov.s", a=FP_SPARE, d=FP_RESULT)
