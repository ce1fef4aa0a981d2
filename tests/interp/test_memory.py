"""Guest memory: mapping, copies of written pages, reading back."""

from __future__ import annotations

import pytest

from interp.events import GuestTrap
from interp.memory import PAGE, Memory

AT = 0xFFFF_FFFF_8000_4000
DATA = bytes(range(256)) * 32  # two pages


@pytest.fixture
def memory() -> Memory:
    memory = Memory()
    memory.map(AT, DATA, writable=True)
    return memory


def signed(address: int) -> int:
    return address - (1 << 64)


def test_a_region_that_is_not_written_reads_back_as_the_same_object(memory: Memory) -> None:
    assert memory.load(signed(AT), 1) == 0
    assert memory.read(AT, len(DATA)) is DATA


def test_a_store_changes_its_page_only_and_not_the_callers_bytes(memory: Memory) -> None:
    memory.store(signed(AT) + PAGE, 4, 0xAABBCCDD)
    after = memory.read(AT, len(DATA))
    assert after[:PAGE] == DATA[:PAGE]
    assert after[PAGE : PAGE + 8].hex() == "aabbccdd04050607"
    assert DATA[PAGE] == 0


def test_a_part_of_a_region_reads_back_across_pages(memory: Memory) -> None:
    memory.store(signed(AT) + PAGE - 4, 4, 0x01020304)
    memory.store(signed(AT) + PAGE, 4, 0x05060708)
    assert memory.read(AT + PAGE - 6, 12).hex() == "fafb0102030405060708" + "0405"


def test_a_load_after_a_store_to_a_page_that_was_read_before_sees_the_store(memory: Memory) -> None:
    assert memory.load(signed(AT), 4) == 0x00010203
    memory.store(signed(AT), 4, -1)
    assert memory.load(signed(AT), 8) == 0xFFFFFFFF04050607


def test_clear_unmaps_and_a_new_map_starts_from_its_bytes(memory: Memory) -> None:
    memory.store(signed(AT), 4, -1)
    memory.clear()
    with pytest.raises(GuestTrap) as trap:
        memory.load(signed(AT), 4)
    assert (trap.value.kind, trap.value.fault_address) == ("tlb-load", AT)
    memory.map(AT, DATA, writable=True)
    assert memory.load(signed(AT), 4) == 0x00010203


def test_a_region_mapped_in_kseg1_is_seen_in_kseg0() -> None:
    memory = Memory()
    memory.map(AT + 0x2000_0000, DATA, writable=True)
    assert memory.load(signed(AT) + 8, 8) == 0x08090A0B0C0D0E0F
    assert memory.read(AT + 0x2000_0000, 4) == memory.read(AT, 4) == DATA[:4]


def test_only_whole_pages_without_overlap_are_mapped(memory: Memory) -> None:
    for address, data in ((AT + 8, DATA), (AT + 0x10_0000, b"short"), (AT + PAGE, DATA), (AT + 0x2000_0000, DATA)):
        with pytest.raises(ValueError, match="not whole pages, or overlaps"):
            memory.map(address, data, writable=True)


def test_a_range_outside_one_region_cannot_be_read(memory: Memory) -> None:
    for address, size in ((AT - 1, 4), (AT + len(DATA) - 2, 4), (0, 1)):
        with pytest.raises(ValueError, match="not inside one region"):
            memory.read(address, size)


def test_merge_writes_the_bits_of_the_mask(memory: Memory) -> None:
    memory.merge(signed(AT), 4, 0xAABBCCDD, 0x00FFFF00)
    assert memory.read(AT, 4).hex() == "00bbcc03"


def test_code_is_what_is_read_only_or_said_to_be_executable() -> None:
    memory = Memory()
    memory.map(AT, DATA, writable=False)
    memory.map(AT + 0x10000, DATA, writable=True)
    memory.map(AT + 0x20000, DATA, writable=True, executable=True)
    memory.map(AT + 0x30000, DATA, writable=False, executable=False)
    assert memory.fetch(signed(AT) + 4) == 0x04050607
    assert memory.fetch(signed(AT) + 0x20004) == 0x04050607
    assert [start for start, _ in memory.code] == [signed(AT), signed(AT) + 0x20000]
    for address, kind in (
        (AT + 0x10000, "tlb-fetch"),
        (AT + 0x30000, "tlb-fetch"),
        (AT + 2, "address-error-fetch"),
        (0x8000_4000, "address-error-fetch"),
        (0, "tlb-fetch"),
    ):
        with pytest.raises(GuestTrap) as trap:
            memory.fetch(signed(address) if address >> 63 else address)
        assert trap.value.kind == kind
