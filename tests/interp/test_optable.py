"""The table against itself, and what it tells about an instruction; ``test_encodings_*`` hold it against others."""

from __future__ import annotations

import random

import pytest

from harness.abi import GPR_NAMES
from harness.program.assembly import encode
from interp.optable import ROWS, Kind, Row, decode


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
