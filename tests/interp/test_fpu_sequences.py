"""Random floating-point programs on the machine against Unicorn, in both register views, registers and memory compared.

The programs move, load, store, convert, compute and compare; with IEEE results by option, so that no result ends them.
A program in which something the manual leaves open *and Unicorn does otherwise* was used is not generated: operands are
even registers without FR, and the rows of ``float_engines.DIFFERENCES`` are left out.
"""

from __future__ import annotations

from random import Random

import pytest
import unicorn
from float_operands import operand
from unicorn import mips_const

from harness.program.assembly import encode
from interp.machine import Machine
from interp.memory import PAGE, Memory
from interp.optable import ROWS, Kind, Row
from interp.softfloat import DOUBLE, SINGLE

CODE, DATA = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8000_2000
LENGTH = 60
LEFT_OUT = ("abs.s", "abs.d", "neg.s", "neg.d", "cvt.s.d")  # known to differ for NaNs and stale causes
FPU_ROWS = [row for row in ROWS if row.kind is Kind.FLOAT or row.name.endswith("c1")]


def of_doublewords(row: Row) -> bool:
    return row.kind is Kind.FLOAT and ".l" in row.name and not row.name.startswith("c.")


def chosen(doublewords: bool) -> list[Row]:
    """The rows of one Unicorn model: its R4000 refuses conversions from and to doublewords."""
    rows = [row for row in FPU_ROWS if row.name not in LEFT_OUT and row.name != "ctc1"]
    return rows if doublewords else [row for row in rows if not of_doublewords(row)]


def instruction(row: Row, random: Random, fr: bool) -> int:
    """A word of the row: base register a0, general registers t0 to t7, FPRs even without FR where they must be."""
    fields: dict[str, int] = {}
    for letter in row.fields:
        fields[letter] = random.randrange(8, 16)
    if "i" in row.fields:
        fields |= {"s": 4, "i": random.randrange(0, 256, row.access)}
    for operand_name in ("fs", "ft", "fd"):
        if operand_name in row.syntax.replace("i(s)", "").split(","):
            word_move = row.kind is not Kind.FLOAT and 64 not in (row.fp_in, row.fp_out)
            step = 1 if fr or word_move else 2
            fields[{"fs": "d", "ft": "t", "fd": "a"}[operand_name]] = random.randrange(0, 32, step)
    if row.name == "cfc1":
        fields["d"] = 31
    return encode(row.name, **fields)


def program(random: Random, rows: list[Row], fr: bool) -> bytes:
    """Random rows with a branch on the condition over one instruction now and then, and ``jr ra``."""
    words: list[int] = []
    while len(words) < LENGTH:
        if random.randrange(8) == 0:
            words.append(encode(random.choice(("bc1t", "bc1f", "bc1tl", "bc1fl")), i=2))
        words.append(instruction(random.choice(rows), random, fr))
    words += [0, 0, encode("jr", s=31), 0]
    return b"".join(word.to_bytes(4, "big") for word in words).ljust(PAGE, b"\0")


def start_state(random: Random, fr: bool) -> tuple[list[int], list[int], int, bytes]:
    """General registers, FPRs, FCR31 and data."""
    gpr = [0] * 32
    gpr[4], gpr[31] = DATA, CODE + PAGE - 8
    for n in range(8, 16):
        gpr[n] = random.choice((operand(DOUBLE, random), operand(SINGLE, random), random.getrandbits(64)))
    doubles = [random.choice((operand(DOUBLE, random), operand(SINGLE, random))) for _ in range(32)]
    fpr = doubles if fr else [word for d in doubles[:16] for word in (d & 0xFFFF_FFFF, d >> 32)]
    data = b"".join(operand(random.choice((DOUBLE, SINGLE)), random).to_bytes(8, "big") for _ in range(64))
    return gpr, fpr, random.randrange(4), data.ljust(PAGE, b"\0")


def on_machine(code: bytes, state: tuple[list[int], list[int], int, bytes], fr: bool) -> tuple[object, ...]:
    gpr, fpr, fcsr, data = state
    memory = Memory()
    memory.map(CODE, code, writable=False)
    memory.map(DATA, data, writable=True)
    machine = Machine(memory, fr, ieee=True)
    machine.set_state(gpr, 0, 0, fpr, fcsr)
    stop = machine.run(CODE, CODE + PAGE - 8, 1000)
    assert stop.kind == "returned", stop
    after = machine.get_state()
    return after.gpr, after.fpr, after.fcsr, memory.read(DATA, PAGE)


class Unicorn:
    """Unicorn with code and data pages."""

    def __init__(self, doublewords: bool, fr: bool) -> None:
        self.uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
        model = mips_const.UC_CPU_MIPS64_VR5432 if doublewords else mips_const.UC_CPU_MIPS64_R4000
        self.uc.ctl_set_cpu_model(model)
        self.uc.mem_map(0, 0x4000)
        status = (0xB000_0000 if doublewords else 0x2000_0000) | (0x0400_0000 if fr else 0)
        self.uc.reg_write(mips_const.UC_MIPS_REG_CP0_STATUS, status)
        self.clean = self.uc.context_save()
        self.fr = fr

    def run(self, code: bytes, state: tuple[list[int], list[int], int, bytes]) -> tuple[object, ...]:
        gpr, fpr, fcsr, data = state
        uc = self.uc
        uc.context_restore(self.clean)
        uc.mem_write(0x1000, code)
        uc.mem_write(0x2000, data)
        uc.ctl_remove_cache(CODE, CODE + PAGE)
        for n in range(1, 32):
            uc.reg_write(mips_const.UC_MIPS_REG_0 + n, gpr[n])
        for n in range(32):
            uc.reg_write(mips_const.UC_MIPS_REG_F0 + n, fpr[n])
        uc.reg_write(mips_const.UC_MIPS_REG_FCSR, fcsr)
        uc.emu_start(CODE, CODE + PAGE - 8)
        mask = 0xFFFF_FFFF_FFFF_FFFF if self.fr else 0xFFFF_FFFF
        return (
            tuple(uc.reg_read(mips_const.UC_MIPS_REG_0 + n) for n in range(32)),
            tuple(uc.reg_read(mips_const.UC_MIPS_REG_F0 + n) & mask for n in range(32)),
            uc.reg_read(mips_const.UC_MIPS_REG_FCSR),
            bytes(uc.mem_read(0x2000, PAGE)),
        )


def check(doublewords: bool, fr: bool, seed: str, count: int) -> None:
    random = Random(seed)
    engine, rows = Unicorn(doublewords, fr), chosen(doublewords)
    for number in range(count):
        code, state = program(random, rows, fr), start_state(random, fr)
        assert on_machine(code, state, fr) == engine.run(code, state), f"program {number} of seed {seed!r}"


VIEWS = pytest.mark.parametrize(
    ("doublewords", "fr"), [(False, True), (False, False), (True, True)], ids=["flat", "paired", "flat-doublewords"]
)


@VIEWS
def test_random_programs_leave_the_same_state_as_in_unicorn(doublewords: bool, fr: bool) -> None:
    check(doublewords, fr, "41", 150)


@pytest.mark.campaign
@VIEWS
def test_more_random_programs_leave_the_same_state_as_in_unicorn(doublewords: bool, fr: bool) -> None:
    check(doublewords, fr, "42", 20_000)
