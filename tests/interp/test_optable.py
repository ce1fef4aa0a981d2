"""The table against the opcode maps of the manuals, against itself, and against GNU objdump."""

from __future__ import annotations

import random
import re
import shutil
import struct
import subprocess
from itertools import combinations
from pathlib import Path

import pytest

from interp.optable import GPR_NAMES, ROWS, Kind, Row, decode, disassemble, encode

OBJDUMP = shutil.which("mips64-linux-gnuabi64-objdump")
NAMES = {row.name: row for row in ROWS}

# The opcode maps of the R4000 User's Manual, 2nd ed., fig. A-2, by rows of eight from code 0; "-" is reserved, upper
# case another table.
MAJOR = """
SPECIAL REGIMM j jal beq bne blez bgtz        addi addiu slti sltiu andi ori xori lui
COP0 COP1 - - beql bnel blezl bgtzl           daddi daddiu ldl ldr - - - -
lb lh lwl lw lbu lhu lwr lwu                  sb sh swl sw sdl sdr swr cache
ll lwc1 - - lld ldc1 - ld                     sc swc1 - - scd sdc1 - sd
"""
SPECIAL = """
sll - srl sra sllv - srlv srav                jr jalr - - syscall break - sync
mfhi mthi mflo mtlo dsllv - dsrlv dsrav       mult multu div divu dmult dmultu ddiv ddivu
add addu sub subu and or xor nor              - - slt sltu dadd daddu dsub dsubu
tge tgeu tlt tltu teq - tne -                 dsll - dsrl dsra dsll32 - dsrl32 dsra32
"""
REGIMM = """
bltz bgez bltzl bgezl - - - -                 tgei tgeiu tlti tltiu teqi - tnei -
bltzal bgezal bltzall bgezall - - - -         - - - - - - - -
"""
FLOAT = """
add sub mul div sqrt abs mov neg              round.l trunc.l ceil.l floor.l round.w trunc.w ceil.w floor.w
- - - - - - - -                               - - - - - - - -
cvt.s cvt.d - - cvt.w cvt.l - -               - - - - - - - -
c.f c.un c.eq c.ueq c.olt c.ult c.ole c.ule   c.sf c.ngle c.seq c.ngl c.lt c.nge c.le c.ngt
"""


def mapped() -> dict[str, int]:
    """Name -> the word whose fields are all 0, by the maps."""
    found = {}
    for table, shift in ((MAJOR, 26), (SPECIAL, 0), (REGIMM, 16)):
        above = 1 << 26 if table is REGIMM else 0
        for code, name in enumerate(table.split()):
            if name == name.lower() != "-":
                found[name] = above | code << shift
    for code, name in enumerate(FLOAT.split()):
        for fmt, number in (("s", 16), ("d", 17), ("w", 20), ("l", 21)):
            integer = fmt in "wl"
            if name == "-" or name == f"cvt.{fmt}" or (integer and name not in ("cvt.s", "cvt.d")):
                continue
            found[f"{name}.{fmt}"] = 0x11 << 26 | number << 21 | code
    for code, name in enumerate(("mfc1", "dmfc1", "cfc1", "-", "mtc1", "dmtc1", "ctc1")):
        found |= {name: 0x11 << 26 | code << 21} if name != "-" else {}
    for code, name in enumerate(("bc1f", "bc1t", "bc1fl", "bc1tl")):
        found[name] = 0x11 << 26 | 8 << 21 | code << 16
    for code, name in enumerate(("mfc0", "dmfc0", "-", "-", "mtc0", "dmtc0")):
        found |= {name: 0x10 << 26 | code << 21} if name != "-" else {}
    for name, code in (("tlbr", 1), ("tlbwi", 2), ("tlbwr", 6), ("tlbp", 8), ("eret", 0x18)):
        found[name] = 0x10 << 26 | 1 << 25 | code
    return found


def test_the_rows_are_the_207_instructions_of_the_manuals() -> None:
    assert {row.name: row.match for row in ROWS} == mapped()
    assert len(ROWS) == len(NAMES) == 207


def test_no_two_rows_overlap() -> None:
    overlaps = [(a.name, b.name) for a, b in combinations(ROWS, 2) if not (a.match ^ b.match) & a.mask & b.mask]
    assert overlaps == []


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_a_row_is_well_formed(row: Row) -> None:
    assert row.match & ~row.mask == 0
    fields = sum(((1 << width) - 1) << low for low, width in row.fields.values())
    assert fields == ~row.mask & 0xFFFF_FFFF, "every bit is fixed or in a field"
    assert row.meaning.__doc__
    assert row.word == "" or set(row.word) <= set(row.operands)
    assert bool(row.access) is (row.kind in (Kind.LOAD, Kind.STORE))
    assert row.narrow in ("", "always", "inherits")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_encode_and_decode_are_inverse(row: Row) -> None:
    rng = random.Random(row.name)
    for _ in range(20):
        fields = {letter: rng.getrandbits(width) for letter, (_, width) in row.fields.items()}
        word = encode(row.name, **fields)
        insn = decode(word)
        assert insn is not None and insn.row is row
        assert {letter: word >> low & (1 << width) - 1 for letter, (low, width) in row.fields.items()} == fields


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_a_reserved_bit_that_is_set_makes_another_instruction_or_none(row: Row) -> None:
    for bit in range(32):
        if row.mask >> bit & 1:
            insn = decode(row.match ^ 1 << bit)
            assert insn is None or insn.row is not row


# R4K fig. A-2 and p. 196; what later levels of the architecture put into the holes of MIPS III (M64).
@pytest.mark.parametrize(
    ("word", "what"),
    [
        (0x0085_100A, "movz v0,a0,a1"),
        (0x0085_100B, "movn v0,a0,a1"),
        (0x0084_1001, "movf v0,a0,$fcc1"),
        (0xCC80_0000, "pref 0,0(a0)"),
        (0x7085_1002, "mul v0,a0,a1"),
        (0x7082_1020, "clz v0,a0"),
        (0x7C82_1000, "ext v0,a0,0,3"),
        (0x7C02_1420, "seb v0,v0"),
        (0x4C00_0020, "madd.s"),
        (0x0024_1002, "rotr v0,a0,0"),
        (0x0085_1018, "mult v0,a0,a1"),
        (0x0085_1061, "addu with sa = 1"),
        (0x4504_0001, "bc1f $fcc1"),
        (0x4604_0132, "c.eq.s $fcc1,$f0,$f4"),
        (0x4600_0020, "cvt.s.s"),
        (0x4680_0000, "add.w"),
        (0x4200_0020, "wait"),
        (0x4802_0000, "mfc2"),
        (0xC880_0000, "lwc2"),
        (0xFFFF_FFFF & ~0x3F << 26 | 0x3B << 26, "swc3"),
    ],
)
def test_what_is_not_mips_iii_is_not_decoded(word: int, what: str) -> None:
    assert decode(word) is None, what


def test_encode_takes_long_field_names_and_signed_numbers() -> None:
    assert encode("addiu", t=8, s=29, imm=-4) == 0x27A8_FFFC
    assert encode("add.s", ft=6, fs=4, fd=2) == 0x4606_2080
    assert encode("teq", s=8, t=9, code=1) == 0x0109_0074


def test_encode_refuses_what_does_not_fit() -> None:
    with pytest.raises(ValueError, match="field t has 5 bits: got 32"):
        encode("addiu", t=32)
    with pytest.raises(KeyError):
        encode("addiu", d=1)


def test_targets_follow_the_delay_slot() -> None:
    # R4K 2.1 and V41 p. 497: branch from the slot's address, jump within the slot's 256 MiB.
    def target(word: int, address: int) -> int:
        insn = decode(word)
        assert insn is not None
        return insn.target(address)

    assert target(0x1000_0001, 0xFFFF_FFFF_8000_1000) == 0xFFFF_FFFF_8000_1008
    assert target(0x1000_FFFF, 0xFFFF_FFFF_8000_1000) == 0xFFFF_FFFF_8000_1000
    assert target(0x0800_0400, 0xFFFF_FFFF_8000_2000) == 0xFFFF_FFFF_8000_1000
    assert target(0x0800_0000, 0xFFFF_FFFF_8FFF_FFFC) == 0xFFFF_FFFF_9000_0000


def test_registers_read_and_written_follow_from_the_row() -> None:
    def locs(name: str, fr: bool = True, **fields: int) -> tuple[set[tuple[str, int]], set[tuple[str, int]]]:
        insn = decode(encode(name, **fields))
        assert insn is not None
        return set(insn.sources(fr)), set(insn.targets(fr))

    assert locs("addu", s=4, t=5, d=2) == ({("gpr", 4), ("gpr", 5)}, {("gpr", 2)})
    assert locs("lwl", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, {("gpr", 5)})
    assert locs("sw", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, set())
    assert locs("sc", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, {("gpr", 5)})
    assert locs("div", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, {("hi", 0), ("lo", 0)})
    assert locs("mfhi", d=4) == ({("hi", 0)}, {("gpr", 4)})
    assert locs("jal") == (set(), {("gpr", 31)})
    assert locs("jalr", s=25, d=31) == ({("gpr", 25)}, {("gpr", 31)})
    assert locs("mtc0", t=4, d=12) == ({("gpr", 4)}, {("cop0", 12)})
    assert locs("add.d", False, fs=2, ft=4, fd=6) == (
        {("fpr", 2), ("fpr", 3), ("fpr", 4), ("fpr", 5), ("fcsr", 0)},
        {("fpr", 6), ("fpr", 7), ("fcsr", 0)},
    )
    assert locs("ldc1", True, ft=6, s=4) == ({("gpr", 4)}, {("fpr", 6)})


def test_the_bytes_that_a_load_or_store_moves() -> None:
    def span(name: str, base: int, offset: int) -> tuple[int, int]:
        insn = decode(encode(name, i=offset))
        assert insn is not None
        return insn.span(base)

    assert span("lw", 0x1000, -4) == (0xFFC, 4)
    assert span("ld", 0, -8) == (0xFFFF_FFFF_FFFF_FFF8, 8)
    assert [span("lwl", 0x1000, n) for n in range(4)] == [(0x1000, 4), (0x1001, 3), (0x1002, 2), (0x1003, 1)]
    assert [span("swr", 0x1000, n) for n in range(4)] == [(0x1000, 1), (0x1000, 2), (0x1000, 3), (0x1000, 4)]
    assert span("sdl", 0x1000, 5) == (0x1005, 3)
    assert span("ldr", 0x1000, 5) == (0x1000, 6)


def test_only_a_comparison_of_register_zero_with_itself_is_unconditional() -> None:
    def conditional(name: str, **fields: int) -> bool:
        insn = decode(encode(name, **fields))
        assert insn is not None
        return insn.conditional

    assert conditional("beq", s=4) and conditional("bltz", s=1) and conditional("bc1t") and conditional("bnel", t=1)
    assert not conditional("beq") and not conditional("bgezal") and not conditional("j") and not conditional("jr", s=4)


def test_register_names_are_those_of_o32() -> None:
    assert GPR_NAMES[0] == "zero" and GPR_NAMES[8] == "t0" and GPR_NAMES[24] == "t8"
    assert GPR_NAMES[28:] == ("gp", "sp", "s8", "ra")


def test_a_word_that_is_no_instruction_prints_as_data() -> None:
    assert disassemble(0xFFFF_FFFF & 0xCC00_0000) == ".word 0xcc000000"


@pytest.mark.cross
@pytest.mark.skipif(OBJDUMP is None, reason="no MIPS objdump")
def test_disassembly_equals_objdump(tmp_path: Path) -> None:
    """GNU binutils, ``-m mips:4300 -M no-aliases``: 200 random words of every row, at their addresses."""
    rng = random.Random(1)
    base = 0xFFFF_FFFF_8000_0000
    listing = []
    for row in ROWS:
        for _ in range(200):
            listing.append(row.match | rng.getrandbits(32) & ~row.mask)
        listing.append(row.match)
    (tmp_path / "words").write_bytes(struct.pack(f">{len(listing)}I", *listing))
    assert OBJDUMP is not None
    command = f"{OBJDUMP} -D -z -b binary -m mips:4300 -EB -M no-aliases,gpr-names=32 --adjust-vma={base:#x} words"
    printed = subprocess.run(command.split(), cwd=tmp_path, capture_output=True, text=True, check=True).stdout
    theirs = [_real(text) for text in re.findall(r"^[0-9a-f]+:\t[0-9a-f]{8} \t(.*)$", printed, re.MULTILINE)]
    ours = [disassemble(word, base + 4 * n) for n, word in enumerate(listing)]
    assert len(theirs) == len(ours)
    assert [(a, b) for a, b in zip(ours, theirs, strict=True) if a != b] == []


def _real(text: str) -> str:
    """objdump's text with the five macros that it prints even without aliases as the instructions that they are."""
    text = re.sub(r"^(d?)neg(u?)\t(\w+),", r"\1sub\2 \3,zero,", text)
    return " ".join(re.sub(r"^dli\t(\w+),", r"ori \1,zero,", text).split())
