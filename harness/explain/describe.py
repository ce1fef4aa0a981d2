"""What the parts of an explanation look like: a culprit with its values and its line of C, a slice, the state."""

from __future__ import annotations

import inspect
from collections.abc import Mapping, Sequence

from harness.abi import GPR_NAMES
from harness.engines.base import MachineState
from harness.engines.replay import Step
from harness.explain.blame import Suspect
from harness.explain.classify import FLOWS, Pair, form_of, kind_of, results
from harness.explain.model import Culprit, Executed, Line, Source, Surety, Value, Word
from harness.explain.neighbours import inputs
from harness.explain.slips import Slip
from harness.explain.trace import backward, forward, last_writer
from harness.explain.watched import Sources
from harness.program.disassembly import disassemble
from harness.replaying import Opened
from harness.results import Difference
from harness.workbench import shown_path
from interp.optable import Insn, Loc, decode

#: Lines of the C shown before and after that of the culprit.
_AROUND = 2
#: Words of memory shown.
_WORDS = 24
_SP, _RA = 29, 31
#: Registers that a call preserves, and the return address.
_KEPT: frozenset[Loc] = frozenset(("gpr", n) for n in (*range(16, 24), 30, _RA))


def culprit_of(
    suspect: Suspect, of: int, sure: Surety, opened: Opened, sources: Sources | None, steps: Sequence[Step]
) -> Culprit:
    """A suspect with everything that is known of it."""
    program, fr = opened.bench.program, opened.job.target.fr
    word = _word(opened, suspect.address)
    insn = decode(word)
    slip, step = suspect.evidence[0] if suspect.evidence else (None, _occurrence(steps, suspect.address))
    function = program.function_at(suspect.address)
    kind = kind_of(suspect, fr)  # of a mistake about a delay slot, its line is to be seen
    return Culprit(
        address=suspect.address,
        text=disassemble(word, suspect.address),
        opcode=insn.row.name if insn is not None else ".word",
        form=form_of(insn),
        function=function.name if function is not None else "",
        manual=manual(insn),
        operands=operands(step, fr) if step is not None else (),
        results=wrong_values(slip, step, fr) if slip is not None and step is not None else (),
        kind=kind,
        like="",
        source=source_of(suspect.address + (4 if kind in FLOWS else 0), sources, opened),
        states=len(suspect.failing),
        of=of,
        surety=sure,
    )


def _word(opened: Opened, address: int) -> int:
    region = opened.bench.program.region_at(address)
    return int.from_bytes(region.data[address - region.address :][:4], "big")


def _occurrence(steps: Sequence[Step], address: int) -> Step | None:
    return next((step for step in reversed(steps) if step.address == address), None)


def manual(insn: Insn | None) -> str:
    """What the row of an instruction says that it does."""
    if insn is None:
        return "no instruction of this processor"
    text = " ".join((inspect.getdoc(insn.row.meaning) or "").split())
    return (text.replace("``n``", str(insn.row.access)) if insn.row.access else text).replace("``", "")


def place(loc: Loc) -> str:
    """A place as reports name it."""
    if loc[0] == "gpr":
        return GPR_NAMES[loc[1]]
    if loc[0] == "fpr":
        return f"f{loc[1]}"
    return f"{loc[1]:016x}" if loc[0] == "mem" else loc[0]


def _digits(loc: Loc, fr: bool) -> int:
    return {"fpr": 16 if fr else 8, "fcsr": 8, "mem": 2}.get(loc[0], 16)


def operands(step: Step, fr: bool) -> tuple[Value, ...]:
    """What an executed instruction read; memory as one number."""
    registers = ((loc, value) for loc, value in step.reads.items() if loc[0] != "mem")
    values = [Value(place(loc), f"{value:0{_digits(loc, fr)}x}") for loc, value in registers]
    if step.access and not step.access[2]:
        data = [step.reads[loc] for loc in sorted(one for one in step.reads if one[0] == "mem")]
        values.append(Value(f"{step.access[0]:016x}", bytes(data).hex()))
    return tuple(values)


def wrong_values(slip: Slip, step: Step, fr: bool) -> tuple[Value, ...]:
    """What an instruction should have made, and what the C made."""
    values = [_value(pair) for pair in results(step, slip, fr)]
    decides = step.insn is not None and step.insn.row.kind.has_slot
    if slip.went is not None and (decides or not values):
        values.append(Value("next", f"{slip.went[0]:016x}", f"{slip.went[1]:016x}"))
    if slip.ended:
        values.append(Value("next", f"{slip.steps[-1].address + 4:016x}" if slip.steps else "", slip.ended))
    if not values:
        strays = [loc for loc in slip.wrong if loc not in step.writes]
        values = [
            Value(place(loc), *(f"{value:0{_digits(loc, fr)}x}" for value in slip.wrong[loc])) for loc in strays[:8]
        ]
    return tuple(values)


def _value(pair: Pair) -> Value:
    digits = pair.bits // 4
    return Value(place(pair.loc), f"{pair.expected:0{digits}x}", f"{pair.actual:0{digits}x}")


def source_of(address: int, sources: Sources | None, opened: Opened) -> Source | None:
    """Where the C of an instruction stands; None where nothing ties it."""
    function = opened.bench.program.function_at(address)
    tied = sources.of(function) if sources is not None and function is not None else None
    if tied is None:
        return None
    tie = max((one for one in tied.ties if one.address <= address), key=lambda one: one.address, default=None)
    if tie is None:
        return None
    rows = tied.c.file.text.decode(errors="replace").split("\n")
    shown = [n for n in range(len(rows)) if not rows[n].lstrip().startswith("#line")]
    middle = shown.index(tie.row)
    near = shown[max(0, middle - _AROUND) : middle + _AROUND + 1]
    lines = tuple(Line(n + 1, rows[n].strip(), n == tie.row) for n in near)
    return Source(shown_path(tied.c.file.path), tie.row + 1, lines)


def executed(
    steps: Sequence[Step], difference: Difference | None, culprits: Sequence[int], most: int
) -> tuple[Executed, ...]:
    """The instructions that lead to the difference, through the culprits where they are among them."""
    loc = difference.loc if difference is not None else None
    end = last_writer(steps, loc) if loc is not None else None
    numbers = set(backward(steps, end)) if end is not None else set()
    for address in culprits[:2]:
        at = next((n for n, step in enumerate(steps) if step.address == address), None)
        if at is None:
            continue
        through = numbers & set(forward(steps, at, end)) if end is not None else set()
        before = backward(steps, at)[-most // 2 :]
        numbers = {*before, *sorted(through)[: most // 2]} | (numbers if address != culprits[0] else set())
    chosen = sorted(numbers)
    if len(chosen) > most:
        chosen = chosen[:1] + chosen[len(chosen) - most + 1 :] if not culprits else chosen[:most]
    return tuple(
        Executed(steps[n].address, _text(steps[n]), _wrote(steps[n]), steps[n].address in culprits) for n in chosen
    )


def _text(step: Step) -> str:
    return disassemble(step.insn.word, step.address) if step.insn is not None else "what lies outside"


def _wrote(step: Step) -> str:
    parts = [f"{place(loc)} = {value:x}" for loc, value in step.writes.items() if loc[0] != "mem"]
    if step.access and step.access[2]:
        data = [value for loc, value in sorted(step.writes.items()) if loc[0] == "mem"]
        parts.append(f"[{step.access[0]:x}] = {bytes(data).hex()}")
    if step.taken is not None and step.insn is not None and step.insn.conditional:
        parts.append("taken" if step.taken else "not taken")
    return ", ".join(parts)


def register_values(before: MachineState, steps: Sequence[Step], given: Mapping[str, str]) -> tuple[Value, ...]:
    """The registers that a run read before it wrote them; ``given`` are those that are no default.

    Registers that a function only saves are left out."""
    read, _ = inputs(steps)
    wanted = sorted({loc for loc in read if loc[0] in ("gpr", "fpr", "hi", "lo")} - _KEPT | _named(given))
    values = {"gpr": before.gpr, "fpr": before.fpr, "hi": (before.hi,), "lo": (before.lo,)}
    rows = []
    for loc in wanted:
        value = values[loc[0]][loc[1]] or 0
        rows.append(Value(place(loc), f"{value:0{_digits(loc, before.fr)}x}", "input" if place(loc) in given else ""))
    return tuple(rows)


def _named(given: Mapping[str, str]) -> set[Loc]:
    """The registers among the names of an input."""
    names = {place(loc): loc for loc in (*(("gpr", n) for n in range(32)), *(("fpr", n) for n in range(32)))}
    return {names[name] for name in given if name in names}


def memory_words(
    before: MachineState, steps: Sequence[Step], given: Mapping[str, str], difference: Difference | None
) -> tuple[Word, ...]:
    """The words of memory that a run touched and that lie in data: what was there, and what came of it."""
    sp = before.gpr[_SP] or 0
    touched: dict[int, set[str]] = {}
    for step in steps:
        if step.access is None:
            continue
        address, size, stores = step.access
        for word in range(address & ~3, address + size, 4):
            touched.setdefault(word, set()).add("written" if stores else "read")
    differs = difference.loc[1] & ~3 if difference and difference.loc and difference.loc[0] == "mem" else None
    if differs is not None:
        touched.setdefault(differs, set())
    pointers: dict[int, list[str]] = {}
    for n, value in enumerate(before.gpr):
        if value and n not in (_SP, _RA):
            pointers.setdefault(value & ~3, []).append(GPR_NAMES[n])
    words = []
    for address in sorted(touched):
        region = next((one for one in before.memory if one.address <= address < one.end), None)
        if region is None or (region.address <= sp <= region.end and address < sp):
            continue
        marks = [f"{name} points here" for name in pointers.get(address, ())]
        marks += ["input"] if f"{address:016x}" in given else []
        marks += [mark for mark in ("read", "written") if mark in touched[address]]
        marks += ["differs"] if address == differs else []
        words.append(Word(address, region.data[address - region.address :][:4].hex(), ", ".join(marks)))
    return tuple(words[:_WORDS])
