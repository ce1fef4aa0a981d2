"""What the tracer needs to know about an instruction, looked up once for each word."""

from __future__ import annotations

from typing import NamedTuple

from harness.engines import operands
from interp.optable import Insn, Kind, Loc

_WIDE = frozenset(
    (
        *("dadd", "daddu", "dsub", "dsubu", "daddi", "daddiu", "dmult", "dmultu", "ddiv", "ddivu"),
        *("dsll", "dsrl", "dsra", "dsll32", "dsrl32", "dsra32", "dsllv", "dsrlv", "dsrav"),
        *("sd", "sdl", "sdr", "scd", "dmtc1", "dmtc0"),
    )
)


class Plan(NamedTuple):
    """What the tracer needs to know about one instruction word, looked up once."""

    insn: Insn
    name: str
    kind: Kind
    sources: tuple[Loc, ...]
    targets: tuple[Loc, ...]
    base: Loc  # the register that addresses memory or is jumped to; the first source where there is none
    words: tuple[Loc, ...]  # operands that must be canonical
    immediate: int  # of an operation: the second operand, or the amount of a shift
    in_pairs: bool  # floating-point operands are doubles in two registers each
    out_pairs: bool
    is_wide: bool
    is_partial: bool  # moves part of a word to or from any address


def plan(insn: Insn, fr: bool) -> Plan:
    """Looks up what the tracer needs to know about ``insn``."""
    row = insn.row
    sources = operands.sources(insn, fr)
    return Plan(
        insn=insn,
        name=row.name,
        kind=row.kind,
        sources=sources,
        targets=operands.targets(insn, fr),
        base=insn.loc("s") if row.access or row.kind is Kind.INDIRECT else next(iter(sources), ("gpr", 0)),
        words=tuple(insn.loc(name) for name in row.word),
        immediate=_immediate(insn),
        in_pairs=row.kind is Kind.FLOAT and row.fp_in == 64 and not fr,
        out_pairs=row.kind is Kind.FLOAT and row.fp_out == 64 and not fr,
        is_wide=row.name in _WIDE,
        is_partial=row.access > 0 and row.name[-1] in "lr" and row.name != "ll",
    )


def _immediate(insn: Insn) -> int:
    if insn.row.name in ("andi", "ori", "xori"):
        return insn.uimm
    return insn.a if "a" in insn.row.fields and "i" not in insn.row.fields else insn.imm
