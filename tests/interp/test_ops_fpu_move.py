"""Floating-point moves, loads, stores and branches as pure functions of their operands."""

from __future__ import annotations

from typing import Any

import pytest

from harness.program.assembly import encode
from interp.events import GuestTrap
from interp.memory import PAGE, Memory
from interp.optable import decode

DATA = 0xFFFF_FFFF_8000_2000 - (1 << 64)  # the signed address of a writable page


def run(name: str, *operands: Any) -> Any:
    """The results of a row on operand values."""
    insn = decode(encode(name))
    assert insn is not None
    return insn.row.meaning(*operands)


@pytest.fixture
def memory() -> Memory:
    memory = Memory()
    memory.map(DATA, bytes.fromhex("0123456789abcdef fedcba9876543210").ljust(PAGE, b"\0"), writable=True)
    return memory


def test_loads_take_bits_in_big_endian_order(memory: Memory) -> None:
    assert run("lwc1", memory, 4, DATA, 8) == 0xFEDC_BA98
    assert run("lwc1", memory, 4, DATA + 8, -4) == 0x89AB_CDEF
    assert run("ldc1", memory, 8, DATA, 8) == 0xFEDC_BA98_7654_3210


def test_stores_leave_bits_in_big_endian_order(memory: Memory) -> None:
    run("swc1", memory, 4, 4, DATA, 0x7FC0_1234)
    run("sdc1", memory, 8, 16, DATA, 0x7FF8_0000_0000_0001)
    assert memory.read(DATA, 24).hex() == "012345677fc01234" + "fedcba9876543210" + "7ff8000000000001"


@pytest.mark.parametrize(("name", "offset"), [("lwc1", 2), ("ldc1", 4), ("swc1", 1), ("sdc1", 4)])
def test_a_misaligned_access_is_an_address_error(memory: Memory, name: str, offset: int) -> None:
    size, stores = 8 if "d" in name else 4, name.startswith("s")
    with pytest.raises(GuestTrap) as trap:
        run(name, memory, size, *((offset, DATA, 0) if stores else (DATA, offset)))
    assert trap.value.kind == ("address-error-store" if stores else "address-error-load")


def test_moves_to_general_registers_extend_the_sign_of_words() -> None:
    assert run("mfc1", 0x8000_0000) == -(2**31)
    assert run("mfc1", 0x7FFF_FFFF) == 2**31 - 1
    assert run("dmfc1", 0x8000_0000_0000_0000) == -(2**63)
    assert run("dmfc1", 0xFFFF_FFFF) == 0xFFFF_FFFF


def test_moves_from_general_registers_give_raw_bits() -> None:
    assert run("mtc1", -1) == 0xFFFF_FFFF
    assert run("mtc1", 0x1_2345_6789) == 0x2345_6789
    assert run("dmtc1", -1) == 0xFFFF_FFFF_FFFF_FFFF


def test_the_control_register_can_be_read_and_written() -> None:
    assert run("cfc1", 31, 0x0183_FFFF) == 0x0183_FFFF
    assert run("ctc1", 31, 0x0100_0003) == 0x0100_0003


def test_reserved_bits_of_the_control_register_stay_clear() -> None:
    assert run("ctc1", 31, -1 & ~0x3FF80) == 0x0180_007F


@pytest.mark.parametrize(
    ("value", "kind"),
    [
        (0x0001_0800, "fp-exception"),
        (0x0000_1080, "fp-exception"),
        (0x0000_8400, "fp-exception"),
        (0x0002_0000, "unimplemented-operation"),
    ],
)
def test_a_cause_written_with_its_enable_traps_at_once(value: int, kind: str) -> None:
    with pytest.raises(GuestTrap) as trap:
        run("ctc1", 31, value)
    assert (trap.value.kind, trap.value.fcsr) == (kind, value)


def test_a_cause_written_without_its_enable_is_quiet() -> None:
    assert run("ctc1", 31, 0x0001_F000) == 0x0001_F000
    assert run("ctc1", 31, 0x0001_0780) == 0x0001_0780


@pytest.mark.parametrize("register", [0, 1, 25, 30])
def test_other_control_registers_are_refused(register: int) -> None:
    for operands in (("cfc1", register, 0), ("ctc1", register, 0)):
        with pytest.raises(GuestTrap) as trap:
            run(*operands)
        assert trap.value.kind == "refused"


@pytest.mark.parametrize("likely", ["", "l"])
def test_branches_look_at_the_condition_bit_alone(likely: str) -> None:
    for fcsr, holds in ((0, False), (0x0080_0000, True), (0x0103_FFFF, False), (0x0183_FFFF, True)):
        assert run(f"bc1t{likely}", fcsr) is holds
        assert run(f"bc1f{likely}", fcsr) is not holds
