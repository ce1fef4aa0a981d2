"""Probes of branches, jumps and calls: which way, from where, what the slot does, and what the link holds."""

from __future__ import annotations

from collections.abc import Iterator

from harness.opcodes.classes import ValueKind
from harness.opcodes.code import Code, Label, Line, R, To, address_of, branch, constant, line, move, nop, returns
from harness.opcodes.probe import FIRST, PLAIN, RESULT, SECOND, SPARE, Fields, Operand, Probe, operands_of
from interp.optable import Kind, Row

#: The function that calls go to: it adds 16 to v0.
CALLEE = "called"
_SAVED, _TARGET = R["t0"], R["t1"]


def callee() -> Code:
    """The code of ``CALLEE``."""
    return [line("addiu", t=RESULT, s=RESULT, i=16), *returns()]


def control_probes(row: Row) -> Iterator[Probe]:
    """Every form of a branch or jump."""
    if row.kind is Kind.JUMP:
        yield from _jumps(row)
    elif row.kind is Kind.INDIRECT:
        yield from _indirect(row)
    elif row.links:
        yield from _linking(row)
    else:
        yield from _branches(row)


def _counted(amount: int) -> Line:
    return line("addiu", t=RESULT, s=RESULT, i=amount)


def _branches(row: Row) -> Iterator[Probe]:
    """v0 tells which instructions ran: 1 the slot, 2 what a taken branch leaves out, 4 the target."""
    registers = [name for name in row.reads if name != "fcsr"]
    usual: Fields = dict(zip(registers, (FIRST, SECOND), strict=False))
    forms: list[tuple[str, Fields]] = [("distinct", usual)]
    if len(registers) == 2:
        forms.append(("s=t", {"s": FIRST, "t": FIRST}))
    forms += [(f"{name}=0", {**usual, name: 0}) for name in registers]
    start = constant(RESULT, 0)
    for form, numbers in forms:
        taken = [branch(row.name, "on", **numbers), _counted(1), _counted(2), Label("on"), _counted(4)]
        code = [start, *taken, *returns()]
        yield _branch_probe(row, form, PLAIN, code, numbers)
    back = [
        *(start, branch("beq", "test", s=0, t=0), nop(), Label("back"), _counted(4), *returns()),
        *(Label("test"), branch(row.name, "back", **usual), _counted(1), _counted(2), *returns()),
    ]
    yield _branch_probe(row, "distinct", "backward", back, usual)
    next_one = [start, branch(row.name, "on", **usual), _counted(1), Label("on"), _counted(4), *returns()]
    yield _branch_probe(row, "distinct", "to_behind_the_slot", next_one, usual)
    for name in registers:
        changed = line("daddiu", t=usual[name], s=usual[name], i=1)
        code = [start, branch(row.name, "on", **usual), changed, _counted(2), Label("on"), *returns(_sum(usual))]
        yield _branch_probe(row, "distinct", f"slot_changes_{name}", code, usual)


def _sum(numbers: Fields) -> Line:
    """The first source joins the result."""
    return line("daddu", d=SPARE, s=RESULT, t=numbers["s"])


def _branch_probe(row: Row, form: str, role: str, code: Code, numbers: Fields) -> Probe:
    return Probe((row.name,), form, role, code, operands_of(row, numbers, 0))


def _linking(row: Row) -> Iterator[Probe]:
    for form, number in (("distinct", FIRST), ("s=0", 0)):
        call = branch(row.name, CALLEE, s=number)
        code = _calling([call, _counted(1)])
        yield _branch_probe(row, form, PLAIN, code, {"s": number})
    changes = _calling([branch(row.name, CALLEE, s=FIRST), line("daddiu", t=FIRST, s=FIRST, i=1)])
    yield _branch_probe(row, "distinct", "slot_changes_s", changes, {"s": FIRST})
    reads = _calling([branch(row.name, CALLEE, s=FIRST), _link_read()])
    yield _branch_probe(row, "distinct", "slot_reads_link", reads, {"s": FIRST})


def _calling(call: Code) -> Code:
    """``call`` between saving ra and putting it back; v1 is what the call left in ra."""
    return [
        *(move(_SAVED, R["ra"]), *call, _counted(2)),
        *(move(SPARE, R["ra"]), move(R["ra"], _SAVED), *returns()),
    ]


def _link_read() -> Line:
    return line("daddu", d=RESULT, s=RESULT, t=R["ra"])


_OLD = (Operand("v0", ValueKind.WORD, "gpr", RESULT),)


def _jumps(row: Row) -> Iterator[Probe]:
    if row.links:
        call = Line(row.name, {"j": To(CALLEE, "jump")})
        yield Probe((row.name,), "callee", PLAIN, _calling([call, _counted(1)]), _OLD)
        yield Probe((row.name,), "callee", "slot_reads_link", _calling([call, _link_read()]), _OLD)
        return
    jump = Line(row.name, {"j": To("on", "jump")})
    inside = [jump, _counted(1), _counted(2), Label("on"), _counted(4), *returns()]
    yield Probe((row.name,), "inside", PLAIN, inside, _OLD)
    back = [
        *(branch("beq", "test", s=0, t=0), nop(), Label("on"), _counted(4), *returns()),
        *(Label("test"), jump, _counted(1), _counted(2), *returns()),
    ]
    yield Probe((row.name,), "inside", "backward", back, _OLD)
    tail = [Line(row.name, {"j": To(CALLEE, "jump")}), _counted(1)]
    yield Probe((row.name,), "tail_call", PLAIN, tail, _OLD)


def _indirect(row: Row) -> Iterator[Probe]:
    to = address_of(_TARGET, CALLEE)
    if not row.links:
        yield Probe((row.name,), "return", PLAIN, returns(_counted(1)), _OLD)
        yield Probe((row.name,), "tail_call", PLAIN, [*to, line(row.name, s=_TARGET), _counted(1)], _OLD)
        changed = [*to, line(row.name, s=_TARGET), constant(_TARGET, 4)]
        yield Probe((row.name,), "tail_call", "slot_changes_s", changed, _OLD)
        return
    call = [*to, line(row.name, s=_TARGET, d=R["ra"]), _counted(1)]
    yield Probe((row.name,), "callee", PLAIN, _calling(call), _OLD)
    yield Probe((row.name,), "callee", "slot_changes_s", _calling([*call[:-1], constant(_TARGET, 4)]), _OLD)
