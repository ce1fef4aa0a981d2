"""Encodings and disassembly against GNU binutils, at least 1,000 random words of every row.

objdump has to print our text for each word, at its address; GNU as has to make the word from our text again.
"""

from __future__ import annotations

import random
import re
import struct
import subprocess
from pathlib import Path

import pytest

from harness.abi import GPR_NAMES
from harness.engines import operands
from harness.program.assembly import encode
from harness.program.disassembly import disassemble
from interp.optable import ROWS, Insn, Kind, Row, decode

BASE = 0xFFFF_FFFF_8000_0000
RANDOM_WORDS = 1100
PREFIX = "mips64-linux-gnuabi64-"


def words_of(row: Row, rng: random.Random) -> list[int]:
    """All fields clear, all set, and random ones."""
    free = ~row.mask & 0xFFFF_FFFF
    return [row.match, row.match | free, *(row.match | rng.getrandbits(32) & free for _ in range(RANDOM_WORDS))]


def all_words(seed: int) -> list[int]:
    rng = random.Random(seed)
    return [word for row in ROWS for word in words_of(row, rng)]


def tool(name: str, arguments: str, folder: Path) -> str:
    command = [PREFIX + name, *arguments.split()]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[:2000]
    return done.stdout


def pack(words: list[int]) -> bytes:
    return struct.pack(f">{len(words)}I", *words)


#: What objdump prints as a macro even with ``no-aliases`` -> the instruction that it is.
MACROS = {
    r"^(d?)neg(u?)\t(\w+),": r"\1sub\2 \3,zero,",
    r"^dli\t(\w+),": r"ori \1,zero,",
}


def without_macros(text: str) -> str:
    for macro, instruction in MACROS.items():
        text = re.sub(macro, instruction, text)
    return " ".join(text.split())


@pytest.mark.cross(PREFIX + "objdump")
def test_disassembly_equals_objdump(tmp_path: Path) -> None:
    words = all_words(1)
    (tmp_path / "words").write_bytes(pack(words))
    options = f"-D -z -b binary -m mips:4300 -EB -M no-aliases,gpr-names=32 --adjust-vma={BASE:#x}"
    printed = tool("objdump", f"{options} words", tmp_path)
    listing = re.findall(r"^[0-9a-f]+:\t[0-9a-f]{8} \t(.*)$", printed, re.MULTILINE)
    theirs = list(map(without_macros, listing))
    ours = [disassemble(word, BASE + 4 * n) for n, word in enumerate(words)]
    assert len(theirs) == len(ours) >= 1000 * len(ROWS)
    assert [(a, b) for a, b in zip(ours, theirs, strict=True) if a != b] == []
    assert any(a != " ".join(b.split()) for a, b in zip(ours, listing, strict=True)), "the macros are still printed"


def is_refused(insn: Insn) -> bool:
    """Whether GNU as refuses it: the link register is also the source, which the manual leaves open (R4K A-9)."""
    return insn.row.links and bool(set(operands.sources(insn, True)) & set(operands.targets(insn, True)))


def source_line(insn: Insn, address: int) -> str:
    """The text for the assembler: ours, except that a target is told by its distance to the label at BASE."""
    text = disassemble(insn.word, address)
    if insn.row.kind in (Kind.BRANCH, Kind.LIKELY, Kind.JUMP):
        operands, _, target = text.rpartition("0x")
        text = f"{operands}base{int(target, 16) - BASE:+d}"
    return text


#: Nothing is to be reordered or expanded; registers by the names of o32, and control registers by objdump's.
PRELUDE = [
    ".set noreorder",
    ".set nomacro",
    ".set noat",
    *(f".set {name}, ${number}" for number, name in enumerate(GPR_NAMES)),
    ".set c1_fir, $0",
    ".set c1_fcsr, $31",
    ".text",
    "base:",
]


def assemble(lines: list[str], folder: Path) -> bytes:
    """The bytes that GNU as and ld make of lines that stand at BASE."""
    (folder / "listing.s").write_text("\n".join([*PRELUDE, *lines, ""]))
    tool("as", "-EB -march=vr4300 -mabi=64 -o listing.o listing.s", folder)
    tool("ld", f"-Ttext={BASE:#x} -e 0 -o listing.elf listing.o", folder)
    tool("objcopy", "-O binary -j .text listing.elf listing.bin", folder)
    return (folder / "listing.bin").read_bytes()


@pytest.mark.cross(PREFIX + "as", PREFIX + "ld", PREFIX + "objcopy")
def test_what_is_disassembled_assembles_to_the_same_word(tmp_path: Path) -> None:
    insns = [insn for insn in map(decode, all_words(2)) if insn is not None and not is_refused(insn)]
    lines = [source_line(insn, BASE + 4 * n) for n, insn in enumerate(insns)]
    assembled = assemble(lines, tmp_path)[: 4 * len(lines)]
    again = struct.unpack(f">{len(lines)}I", assembled)
    assert [
        (line, f"{word:08x}") for line, word, insn in zip(lines, again, insns, strict=True) if word != insn.word
    ] == []
    kept = {row.name: 0 for row in ROWS}
    for insn in insns:
        kept[insn.row.name] += 1
    assert min(kept.values()) >= 1000


REFUSED = [
    *((encode(name, s=31, i=4), "the source register must not be $31") for name in ("bltzal", "bgezal")),
    *((encode(name, s=31, i=4), "the source register must not be $31") for name in ("bltzall", "bgezall")),
    (encode("jalr", s=8, d=8), "source and destination must be different"),
]


@pytest.mark.cross(PREFIX + "as")
@pytest.mark.parametrize(("word", "reason"), REFUSED)
def test_the_assembler_still_refuses_a_link_to_its_own_source(word: int, reason: str, tmp_path: Path) -> None:
    insn = decode(word)
    assert insn is not None and is_refused(insn)
    with pytest.raises(AssertionError, match=re.escape(reason)):
        assemble([source_line(insn, BASE)], tmp_path)
