"""The text of an instruction, made from its row."""

from __future__ import annotations

from collections.abc import Callable

from harness.abi import GPR_NAMES
from interp.optable import Insn, decode


def _code(insn: Insn) -> int:
    """The code of a trap: 20 bits in SYSCALL and BREAK, 10 in the others."""
    low, width = insn.row.fields["c"]
    return insn.word >> low & (1 << width) - 1


def _optional(number: int) -> str:
    return f"0x{number:x}" if number else ""


#: Operand of a syntax -> its text, for an instruction at an address; an empty text is left out with its comma.
_TEXT: dict[str, Callable[[Insn, int], str]] = {
    "s": lambda n, _: GPR_NAMES[n.s],
    "t": lambda n, _: GPR_NAMES[n.t],
    "d": lambda n, _: GPR_NAMES[n.d],
    "zero": lambda n, _: "zero",
    "link": lambda n, _: "" if n.d == 31 else GPR_NAMES[n.d],
    "fs": lambda n, _: f"$f{n.d}",
    "ft": lambda n, _: f"$f{n.t}",
    "fd": lambda n, _: f"$f{n.a}",
    "a": lambda n, _: f"0x{n.a:x}",
    "i": lambda n, _: str(n.imm),
    "u": lambda n, _: f"0x{n.uimm:x}",
    "i(s)": lambda n, _: f"{n.imm}({GPR_NAMES[n.s]})",
    "op": lambda n, _: f"0x{n.t:x}",
    "p": lambda n, at: f"0x{n.target(at):x}",
    "code": lambda n, _: _optional(_code(n)),
    "code1": lambda n, _: _optional(_code(n) >> 10) or ("0x0" if _code(n) else ""),
    "code2": lambda n, _: _optional(_code(n) & 0x3FF),
    "c0": lambda n, _: f"${n.d}",
    "k": lambda n, _: {0: "c1_fir", 31: "c1_fcsr"}.get(n.d, f"${n.d}"),
}


def disassemble(word: int, address: int = 0) -> str:
    """The text that GNU objdump prints for MIPS III without aliases, o32 register names; ``.word`` for other words."""
    insn = decode(word)
    if insn is None:
        return f".word 0x{word:x}"
    texts = [_TEXT[operand](insn, address) for operand in insn.row.syntax.split(",") if operand]
    return f"{insn.row.name} {','.join(filter(None, texts))}".rstrip()
