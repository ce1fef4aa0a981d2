"""Probes of what compilers make of C in several instructions, which translators like to take as one.

The sequences are those of GCC for this processor (common practice, no source; each also occurs in the bundled programs)
and of the manual's examples for unaligned data (R4K App. A, LWL and LWR).
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.abi import GPR_NAMES
from harness.opcodes.classes import ValueKind
from harness.opcodes.code import Code, Label, Line, R, address_of, branch, constant, line, move, nop, returns
from harness.opcodes.probe import IDIOM, UNIT, Operand, Probe

WORD, LONG, COUNT = ValueKind.WORD, ValueKind.LONG, ValueKind.COUNT
AT, V0, V1, A0, A1, A2, A3, T0 = (R[name] for name in ("at", "v0", "v1", "a0", "a1", "a2", "a3", "t0"))


def idioms(fr: bool) -> Iterator[Probe]:
    """All of them, for one wiring of the FPU."""
    for family in (_constants, _words, _wide, _divisions, _unaligned, _tables):
        yield from family()
    yield from _floating(fr)


def _idiom(form: str, code: Code, *operands: Operand, **more: object) -> Probe:
    opcodes = tuple(dict.fromkeys(item.name for item in code if isinstance(item, Line)))
    pointers = more.get("pointers", {})
    table = more.get("table", ())
    assert isinstance(pointers, dict)
    assert isinstance(table, tuple)
    return Probe(opcodes, form, IDIOM, [*code, *returns()], operands, pointers, bool(more.get("rounds")), table)


def _gpr(number: int, kind: ValueKind) -> Operand:
    return Operand(GPR_NAMES[number], kind, "gpr", number)


def _constants() -> Iterator[Probe]:
    for high, low in ((0x8000, -0x8000), (0x8001, 0x7FFF), (0x7FFF, -1), (0, -1)):
        yield _idiom(f"lui_addiu_{high:x}_{low}", [line("lui", t=V0, i=high), line("addiu", t=V0, s=V0, i=low)])
    for high, low in ((0x8000, 0xFFFF), (0x7FFF, 0x8000), (0xFFFF, 0)):
        yield _idiom(f"lui_ori_{high:x}_{low:x}", [line("lui", t=V0, i=high), line("ori", t=V0, s=V0, i=low)])
    long = [line("lui", t=V0, i=0x8123), line("ori", t=V0, s=V0, i=0x4567), line("dsll", d=V0, t=V0, a=16)]
    yield _idiom("long_constant", [*long, line("ori", t=V0, s=V0, i=0x89AB)])


def _words() -> Iterator[Probe]:
    one, other = _gpr(A0, WORD), _gpr(A1, WORD)
    yield _idiom("word_of_long", [line("sll", d=V0, t=A0, a=0)], _gpr(A0, LONG))
    for bits in (24, 16):
        extended = [line("sll", d=V0, t=A0, a=bits), line("sra", d=V0, t=V0, a=bits)]
        yield _idiom(f"sign_of_{32 - bits}", extended, _gpr(A0, LONG))
        yield _idiom(f"field_above_{bits}", [line("sll", d=V0, t=A0, a=3), line("srl", d=V0, t=V0, a=bits)], one)
    for name in ("sllv", "srlv", "srav"):
        negative = [line("subu", d=AT, s=0, t=A1), line(name, d=V0, t=A0, s=AT)]
        yield _idiom(f"negative_{name}", negative, one, other)
    rotated = [line("subu", d=AT, s=0, t=A1), line("sllv", d=V0, t=A0, s=A1), line("srlv", d=V1, t=A0, s=AT)]
    yield _idiom("rotate", [*rotated, line("or", d=V0, s=V0, t=V1)], one, other)
    absolute = [line("sra", d=V1, t=A0, a=31), line("xor", d=V0, s=A0, t=V1), line("subu", d=V0, s=V0, t=V1)]
    yield _idiom("absolute", absolute, one)
    yield _idiom("equal", [line("xor", d=V0, s=A0, t=A1), line("sltiu", t=V0, s=V0, i=1)], one, other)
    yield _idiom("unequal", [line("xor", d=V0, s=A0, t=A1), line("sltu", d=V0, s=0, t=V0)], one, other)
    for name in ("slt", "sltu"):
        chosen = [move(V0, A0), line(name, d=AT, s=A0, t=A1), branch("beq", "on", s=AT, t=0), nop(), move(V0, A1)]
        yield _idiom(f"larger_by_{name}", [*chosen, Label("on")], one, other)
    for name in ("mult", "multu"):
        product = [line(name, s=A0, t=A1), line("mflo", d=V0), line("mfhi", d=V1), line("addu", d=V0, s=V0, t=V1)]
        yield _idiom(f"{name}_both_halves", product, one, other)


def _wide() -> Iterator[Probe]:
    """64-bit arithmetic in pairs of words, high word first: a0:a1 and a2:a3."""
    words = tuple(_gpr(number, WORD) for number in (A1, A3, A0, A2))
    total = [line("addu", d=V1, s=A1, t=A3), line("sltu", d=AT, s=V1, t=A3), line("addu", d=V0, s=A0, t=A2)]
    yield _idiom("pair_add", [*total, line("addu", d=V0, s=V0, t=AT)], *words)
    less = [line("sltu", d=AT, s=A1, t=A3), line("subu", d=V1, s=A1, t=A3), line("subu", d=V0, s=A0, t=A2)]
    yield _idiom("pair_subtract", [*less, line("subu", d=V0, s=V0, t=AT)], *words)
    for name in ("slt", "sltu"):
        compared = [line(name, d=V0, s=A0, t=A2), branch("bne", "on", s=A0, t=A2), nop()]
        yield _idiom(f"pair_{name}", [*compared, line("sltu", d=V0, s=A1, t=A3), Label("on")], *words)
    split = [line("dsll32", d=V0, t=A0, a=0), line("dsll32", d=AT, t=A1, a=0), line("dsrl32", d=AT, t=AT, a=0)]
    yield _idiom("long_of_pair", [*split, line("or", d=V0, s=V0, t=AT)], _gpr(A0, WORD), _gpr(A1, WORD))
    yield _idiom("pair_of_long", [line("dsra32", d=V0, t=A0, a=0), line("sll", d=V1, t=A0, a=0)], _gpr(A0, LONG))


def _divisions() -> Iterator[Probe]:
    """Divisions between the guards that compilers put round them."""
    for name, kind in (("div", WORD), ("divu", WORD), ("ddiv", LONG), ("ddivu", LONG)):
        operands = _gpr(A0, kind), _gpr(A1, kind)
        results = [line("mflo", d=V0), line("mfhi", d=V1)]
        yield _idiom(f"{name}_trap", [line(name, s=A0, t=A1), line("teq", s=A1, t=0, c=7), *results], *operands)
        guard = [line(name, s=A0, t=A1), branch("bne", "on", s=A1, t=0), nop(), line("break", c=7 << 10), Label("on")]
        yield _idiom(f"{name}_break", [*guard, *results], *operands)
        if name == "div":
            extreme = [
                *(constant(AT, -1), branch("bne", "fine", s=A1, t=AT), line("lui", t=AT, i=0x8000)),
                *(branch("bne", "fine", s=A0, t=AT), nop(), line("break", c=6 << 10), Label("fine")),
            ]
            yield _idiom(f"{name}_overflow_break", [*guard, *extreme, *results], *operands)
    by_seven = [line("lui", t=V0, i=0x9249), line("ori", t=V0, s=V0, i=0x2493), line("mult", s=A0, t=V0)]
    high = [line("mfhi", d=V1), line("addu", d=V0, s=V1, t=A0), line("sra", d=V0, t=V0, a=2)]
    sign = [line("sra", d=AT, t=A0, a=31), line("subu", d=V0, s=V0, t=AT)]
    yield _idiom("by_seven", [*by_seven, *high, *sign], _gpr(A0, WORD))
    by_eight = [line("addiu", t=V0, s=A0, i=7), line("slti", t=AT, s=A0, i=0), branch("bne", "on", s=AT, t=0), nop()]
    yield _idiom("by_eight", [*by_eight, move(V0, A0), Label("on"), line("sra", d=V0, t=V0, a=3)], _gpr(A0, WORD))


def _unaligned() -> Iterator[Probe]:
    for bytes_, left, right, kind in ((4, "lwl", "lwr", WORD), (8, "ldl", "ldr", LONG)):
        for byte in range(bytes_):
            first = UNIT + byte // bytes_ * bytes_
            data = tuple(Operand(f"mem{n}", kind, "data", first + n * bytes_) for n in range(2))
            code = [line(left, t=V0, s=A0, i=0), line(right, t=V0, s=A0, i=bytes_ - 1)]
            yield _idiom(f"{left}_{right}_{byte}", code, *data, pointers={A0: UNIT + byte})
            turned = [line(right, t=V0, s=A0, i=bytes_ - 1), line(left, t=V0, s=A0, i=0)]
            yield _idiom(f"{right}_{left}_{byte}", turned, *data, pointers={A0: UNIT + byte})
            store = [line(f"s{left[1:]}", t=A1, s=A0, i=0), line(f"s{right[1:]}", t=A1, s=A0, i=bytes_ - 1)]
            yield _idiom(f"s{left[1:]}_s{right[1:]}_{byte}", store, _gpr(A1, LONG), pointers={A0: UNIT + byte})
    counter = Operand("mem", WORD, "data", UNIT)
    update = [line("ll", t=V0, s=A0, i=0), line("addu", d=AT, s=V0, t=A1), line("sc", t=AT, s=A0, i=0), move(V1, AT)]
    yield _idiom("linked_update", update, counter, _gpr(A1, WORD), pointers={A0: UNIT})


def _tables() -> Iterator[Probe]:
    """A switch over four cases with a default."""
    cases = [item for n in range(4) for item in (Label(f"case{n}"), *returns(constant(V0, 10 + n)))]
    code = [
        *(line("sltiu", t=AT, s=A0, i=4), branch("beq", "default", s=AT, t=0), line("sll", d=T0, t=A0, a=2)),
        *(*address_of(AT, "table"), line("addu", d=AT, s=AT, t=T0), line("lw", t=AT, s=AT, i=0)),
        *(line("jr", s=AT), nop(), *cases, Label("default"), constant(V0, 99)),
    ]
    yield _idiom("switch", code, _gpr(A0, WORD), table=tuple(f"case{n}" for n in range(4)))


def _floating(fr: bool) -> Iterator[Probe]:
    for name, kind in (("s", ValueKind.SINGLE), ("d", ValueKind.DOUBLE)):
        one, other = Operand("f12", kind, "fpr", 12), Operand("f14", kind, "fpr", 14)
        for condition in ("eq", "lt", "le", "un"):
            compare = [line(f"c.{condition}.{name}", d=12, t=14), nop(), branch("bc1f", "on")]
            choice = [line(f"mov.{name}", a=0, d=12), line(f"mov.{name}", a=0, d=14), Label("on")]
            yield _idiom(f"chosen_by_{condition}_{name}", [*compare, *choice], one, other)
        number = [line("mtc1", t=A0, d=0), nop(), line(f"cvt.{name}.w", a=0, d=0)]
        yield _idiom(f"number_to_{name}", number, _gpr(A0, WORD), rounds=True)
        truncated = [line(f"trunc.w.{name}", a=2, d=12), line("mfc1", t=V0, d=2)]
        yield _idiom(f"{name}_to_number", truncated, one)
        mode = [
            *(line("cfc1", t=T0, d=31), line("ori", t=AT, s=T0, i=3), line("xori", t=AT, s=AT, i=2)),
            *(line("ctc1", t=AT, d=31), nop(), line(f"cvt.w.{name}", a=2, d=12), line("mfc1", t=V0, d=2)),
            *(line("ctc1", t=T0, d=31), nop()),
        ]
        yield _idiom(f"{name}_to_number_by_mode", mode, one, rounds=True)
        sum_ = [line(f"mul.{name}", a=2, d=12, t=14), line(f"add.{name}", a=0, d=2, t=12)]
        yield _idiom(f"product_and_sum_{name}", sum_, one, other, rounds=True)
    halves = (Operand("a0", LONG, "gpr", A0), Operand("a1", LONG, "gpr", A1))
    if not fr:
        yield _idiom("double_of_halves", [line("mtc1", t=A0, d=1), line("mtc1", t=A1, d=0), nop()], *halves)
        double = Operand("f12", ValueKind.DOUBLE, "fpr", 12)
        yield _idiom("halves_of_double", [line("mfc1", t=V0, d=13), line("mfc1", t=V1, d=12)], double)
        loads = [line("lwc1", t=1, s=A0, i=0), line("lwc1", t=0, s=A0, i=4)]
        data = tuple(Operand(f"mem{n}", ValueKind.SINGLE, "data", UNIT + 4 * n) for n in range(2))
        yield _idiom("double_by_words", loads, *data, pointers={A0: UNIT})
    else:
        yield _idiom("long_through_fpr", [line("dmtc1", t=A0, d=0), nop(), line("dmfc1", t=V0, d=0)], halves[0])
