"""The table against itself, and what it tells about an instruction; ``test_encodings_*`` hold it against others."""

from __future__ import annotations

import random

import pytest

from interp.optable import GPR_NAMES, ROWS, Kind, Row, decode, disassemble, encode


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
