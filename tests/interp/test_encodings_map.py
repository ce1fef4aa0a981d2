"""Which words are instructions: the opcode maps of the manuals, swept through op, rs, rt and funct.

The maps are those of the R4000 User's Manual, 2nd ed., fig. A-2, in rows of eight from code 0; "-" is reserved, upper
case another table. The fields that must be 0 follow the instruction formats of its App. A and B. A word with such a
field set is unspecified there; here it is reserved.
"""

from __future__ import annotations

from itertools import combinations

import pytest

from interp.blocks import rejection
from interp.optable import ROWS, decode

MAJOR = """
SPECIAL REGIMM j jal beq bne blez bgtz        addi addiu slti sltiu andi ori xori lui
COP0 COP1 COP2 - beql bnel blezl bgtzl        daddi daddiu ldl ldr - - - -
lb lh lwl lw lbu lhu lwr lwu                  sb sh swl sw sdl sdr swr cache
ll lwc1 LWC2 - lld ldc1 LDC2 ld               sc swc1 SWC2 - scd sdc1 SDC2 sd
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
COP0_RS = "mfc0 dmfc0 - - mtc0 dmtc0 - -"
COP0_FUNCT = """
- tlbr tlbwi - - - tlbwr -                    tlbp - - - - - - -
- - - - - - - -                               eret - - - - - - -
"""
COP1_RS = "mfc1 dmfc1 cfc1 - mtc1 dmtc1 ctc1 -"
BC_RT = "bc1f bc1t bc1fl bc1tl"
FORMATS = {0x10: "s", 0x11: "d", 0x14: "w", 0x15: "l"}
FLOAT = """
add sub mul div sqrt abs mov neg              round.l trunc.l ceil.l floor.l round.w trunc.w ceil.w floor.w
- - - - - - - -                               - - - - - - - -
cvt.s cvt.d - - cvt.w cvt.l - -               - - - - - - - -
c.f c.un c.eq c.ueq c.olt c.ult c.ole c.ule   c.sf c.ngle c.seq c.ngl c.lt c.nge c.le c.ngt
"""
TWO_FLOATS = "add sub mul div"
INTEGER_TO_FLOAT = "cvt.s cvt.d"

# Instructions of the tables above -> the fields between op and funct that their formats fill with zeros.
ZERO_FIELDS = {
    "sll srl sra dsll dsrl dsra dsll32 dsrl32 dsra32 lui": "rs",
    "sllv srlv srav dsllv dsrlv dsrav": "sa",
    "add addu sub subu and or xor nor slt sltu dadd daddu dsub dsubu": "sa",
    "mult multu div divu dmult dmultu ddiv ddivu": "rd sa",
    "mfhi mflo": "rs rt sa",
    "mthi mtlo jr": "rt rd sa",
    "jalr": "rt sa",
    "sync": "rs rt rd sa",
    "blez bgtz blezl bgtzl": "rt",
    "tlbr tlbwi tlbwr tlbp eret": "rs_low rt rd sa",
    "mfc0 dmfc0 mtc0 dmtc0 mfc1 dmfc1 cfc1 mtc1 dmtc1 ctc1": "sa funct",
}
FIELDS = {"rs": (21, 31), "rs_low": (21, 15), "rt": (16, 31), "rd": (11, 31), "sa": (6, 31), "funct": (0, 63)}
ZEROS: dict[str, int] = {
    name: sum(FIELDS[field][1] << FIELDS[field][0] for field in fields.split())
    for names, fields in ZERO_FIELDS.items()
    for name in names.split()
}


def looked_up(table: list[str], code: int) -> str:
    return table[code] if code < len(table) else "-"


MAJOR_CODES, SPECIAL_CODES, REGIMM_CODES = MAJOR.split(), SPECIAL.split(), REGIMM.split()
COP0_RS_CODES, COP0_FUNCT_CODES = COP0_RS.split(), COP0_FUNCT.split()
COP1_RS_CODES, BC_CODES, FLOAT_CODES = COP1_RS.split(), BC_RT.split(), FLOAT.split()


def by_the_maps(word: int) -> str:
    """The instruction that a word is by the tables above, "-" if it is none."""
    op, rs, rt, funct = word >> 26, word >> 21 & 31, word >> 16 & 31, word & 63
    name = MAJOR_CODES[op]
    if name == "SPECIAL":
        name = SPECIAL_CODES[funct]
    elif name == "REGIMM":
        name = looked_up(REGIMM_CODES, rt)
    elif name == "COP0":
        name = looked_up(COP0_FUNCT_CODES, funct) if rs & 0x10 else looked_up(COP0_RS_CODES, rs)
    elif name == "COP1":
        if rs in FORMATS:
            return float_by_the_maps(FORMATS[rs], funct, rt, sa=word >> 6 & 31)
        name = looked_up(BC_CODES, rt) if rs == 8 else looked_up(COP1_RS_CODES, rs)
    if name == "-" or name.isupper() or word & ZEROS.get(name, 0):
        return "-"
    return name


def float_by_the_maps(fmt: str, funct: int, rt: int, sa: int) -> str:
    """The floating-point operation of a format: one operand leaves ft 0, a compare the whole field of fd (R4K B)."""
    name = looked_up(FLOAT_CODES, funct)
    if name == "-" or name == f"cvt.{fmt}" or (fmt in "wl" and name not in INTEGER_TO_FLOAT.split()):
        return "-"
    compare, two = name.startswith("c."), name in TWO_FLOATS.split()
    if (compare and sa) or (not compare and not two and rt):
        return "-"
    return f"{name}.{fmt}"


def rejected(word: int) -> str:
    """The exception that a word outside the maps raises: R4K fig. A-2 key, and p. 196 for formats and operations."""
    op, rs = word >> 26, word >> 21 & 31
    if MAJOR_CODES[op] in ("COP2", "LWC2", "LDC2", "SWC2", "SDC2"):
        return "coprocessor-unusable"
    return "unimplemented-operation" if MAJOR_CODES[op] == "COP1" and rs >= 0x10 else "reserved-instruction"


def test_the_rows_are_the_207_instructions_of_the_maps() -> None:
    by_name = {row.name: row.match for row in ROWS}
    assert len(ROWS) == len(by_name) == 207
    assert {name: by_the_maps(match) for name, match in by_name.items()} == {name: name for name in by_name}
    everything = (MAJOR, SPECIAL, REGIMM, COP0_RS, COP0_FUNCT, COP1_RS, BC_RT)
    plain = {name for table in everything for name in table.split() if name.islower()}
    assert plain == {row.name for row in ROWS if row.match >> 25 != 0b010001_1}


def test_no_two_rows_overlap() -> None:
    overlaps = [(a.name, b.name) for a, b in combinations(ROWS, 2) if not (a.match ^ b.match) & a.mask & b.mask]
    assert overlaps == []


# The fields rd and sa, and thereby the immediates: all clear, all set, and each alone.
@pytest.mark.parametrize(("rd", "sa"), [(0, 0), (31, 0), (0, 1), (9, 18)])
def test_every_op_rs_rt_and_funct_decodes_to_its_row_or_to_reserved(rd: int, sa: int) -> None:
    """All 2**16 upper halves, and with each of them all 64 functs where the opcode has such a field."""
    wrong: list[tuple[str, str, str]] = []
    seen: set[str] = set()
    for upper in range(1 << 16):
        has_funct = MAJOR_CODES[upper >> 10] in ("SPECIAL", "COP0", "COP1")
        for funct in range(64) if has_funct else (0, 63):
            word = upper << 16 | rd << 11 | sa << 6 | funct
            insn = decode(word)
            name, expected = "-" if insn is None else insn.row.name, by_the_maps(word)
            seen.add(name)
            if name != expected or (insn is None and rejection(word) != rejected(word)):
                wrong.append((f"{word:08x}", name, expected))
    assert wrong == []
    assert len(seen) == 208 or rd or sa, "without other fields every row is met, and reserved words"


@pytest.mark.parametrize("bit", range(32))
def test_each_bit_of_each_row_changed_alone_is_as_the_maps_say(bit: int) -> None:
    for row in ROWS:
        for word in (row.match ^ 1 << bit, (row.match | ~row.mask & 0xFFFF_FFFF) ^ 1 << bit):
            insn = decode(word)
            assert ("-" if insn is None else insn.row.name) == by_the_maps(word), f"{row.name} {word:08x}"


# What later levels of the architecture put into the holes of MIPS III (M64), by their own assembler text.
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
        (0xEC00_0000, "swc3"),
    ],
)
def test_what_is_not_mips_iii_is_not_decoded(word: int, what: str) -> None:
    assert decode(word) is None, what
