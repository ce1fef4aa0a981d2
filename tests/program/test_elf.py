"""ELF images: what is read from a good one, and what is said about a bad one."""

from __future__ import annotations

import os
from errno import EACCES
from pathlib import Path

import pytest
from elf_image import (
    CODE,
    DATA,
    FUNC,
    LOCAL,
    MIPS_REGINFO,
    NOTYPE,
    READ_ONLY,
    WEAK,
    Elf,
    Section,
    Sym,
)

from harness.errors import UsageError
from harness.program.elf import load_elf

NOPS = bytes(0x20)
TEXT = Section(".text", 0x8000_1000, NOPS, CODE)


def write(folder: Path, elf: Elf | bytes) -> Path:
    path = folder / "clock.elf"
    path.write_bytes(elf if isinstance(elf, bytes) else elf.build())
    return path


def refusal(path: Path) -> str:
    with pytest.raises(UsageError) as error:
        load_elf(path)
    return str(error.value).replace(str(path), "clock.elf")


@pytest.mark.parametrize("bits", [32, 64])
def test_addresses_are_sign_extended_to_64_bits(tmp_path: Path, bits: int) -> None:
    high = 0xFFFF_FFFF_0000_0000 if bits == 64 else 0
    elf = Elf([Section(".text", high + 0x8000_1000, NOPS, CODE)], [Sym("f", high + 0x8000_1004, 8)], bits)
    elf.entry = high + 0x8000_1004
    program = load_elf(write(tmp_path, elf))
    assert program.functions[0].address == 0xFFFF_FFFF_8000_1004
    assert program.entry == 0xFFFF_FFFF_8000_1004
    assert program.regions[0].address == 0xFFFF_FFFF_8000_1000


def test_each_kind_of_section_makes_a_region_of_its_own(tmp_path: Path) -> None:
    sections = [
        TEXT,
        Section(".rodata", 0x8000_2000, b"tide", READ_ONLY),
        Section(".data", 0x8000_3000, b"\1\2", DATA),
        Section(".bss", 0x8000_4000, None, DATA, size=0x1001),
    ]
    program = load_elf(write(tmp_path, Elf(sections, [Sym("f", 0x8000_1000, 8)])))
    assert [(region.address & 0xFFFF_FFFF, len(region.data), region.writable) for region in program.regions] == [
        (0x8000_1000, 0x1000, False),
        (0x8000_2000, 0x1000, False),
        (0x8000_3000, 0x3000, True),
    ]
    assert program.code == program.regions[:1]
    assert program.code[0] is program.regions[0]
    assert program.regions[1].data == b"tide".ljust(0x1000, b"\0")
    assert program.regions[2].data == b"\1\2".ljust(0x3000, b"\0")
    assert program.regions[2].name == ".data .bss"


def test_a_page_that_code_and_data_share_is_executable_and_writable(tmp_path: Path) -> None:
    sections = [TEXT, Section(".data", 0x8000_1020, b"\5", DATA), Section(".bss", 0x8000_2000, None, DATA, size=4)]
    program = load_elf(write(tmp_path, Elf(sections, [Sym("f", 0x8000_1000, 8)])))
    assert [(region.writable, region in program.code) for region in program.regions] == [(True, True), (True, False)]
    assert program.regions[0].data[0x20] == 5


def test_sections_that_only_describe_the_file_are_no_memory(tmp_path: Path) -> None:
    sections = [TEXT, Section(".reginfo", 0x18, bytes(24), READ_ONLY, type=MIPS_REGINFO)]
    program = load_elf(write(tmp_path, Elf(sections, [Sym("f", 0x8000_1000, 8)])))
    assert [region.name for region in program.regions] == [".text"]


def test_functions_come_in_the_order_of_their_addresses(tmp_path: Path) -> None:
    symbols = [Sym("late", 0x8000_1010, 8), Sym("early", 0x8000_1000, 0x10)]
    program = load_elf(write(tmp_path, Elf([TEXT], symbols)))
    assert [function.name for function in program.functions] == ["early", "late"]


def test_symbols_of_one_address_are_one_function_with_the_global_name(tmp_path: Path) -> None:
    symbols = [
        Sym("a_local", 0x8000_1000, 8, binding=LOCAL),
        Sym("b_weak", 0x8000_1000, 8, binding=WEAK),
        Sym("c_global", 0x8000_1000, 12),
    ]
    (function,) = load_elf(write(tmp_path, Elf([TEXT], symbols))).functions
    assert (function.name, function.aliases, function.size) == ("c_global", ("b_weak", "a_local"), 12)


def test_a_size_that_is_not_stated_reaches_to_the_next_function_or_the_end_of_the_section(tmp_path: Path) -> None:
    symbols = [Sym("first", 0x8000_1000), Sym("second", 0x8000_1008), Sym("stated", 0x8000_1004, 4)]
    program = load_elf(write(tmp_path, Elf([TEXT], symbols)))
    extents = {function.name: (function.size, function.size_stated) for function in program.functions}
    assert extents == {"first": (4, False), "stated": (4, True), "second": (0x18, False)}
    assert program.notes == (
        "first at ffffffff80001000 states a size of 0 bytes; 4 are taken",
        "second at ffffffff80001008 states a size of 0 bytes; 24 are taken",
    )


@pytest.mark.parametrize("size", [6, 0x24])
def test_a_size_that_cannot_be_true_is_mended_and_noted(tmp_path: Path, size: int) -> None:
    program = load_elf(write(tmp_path, Elf([TEXT], [Sym("f", 0x8000_1000, size)])))
    assert (program.functions[0].size, program.functions[0].size_stated) == (0x20, False)
    assert len(program.notes) == 1


def test_functions_outside_the_code_are_left_out_and_noted(tmp_path: Path) -> None:
    sections = [TEXT, Section(".data", 0x8000_2000, NOPS, DATA)]
    symbols = [Sym("f", 0x8000_1000, 8), Sym("in_data", 0x8000_2000, 8), Sym("odd", 0x8000_1005, 8)]
    program = load_elf(write(tmp_path, Elf(sections, symbols)))
    assert [function.name for function in program.functions] == ["f"]
    assert program.notes == (
        "in_data at ffffffff80002000 is not in executable memory and is left out",
        "odd at ffffffff80001005 is not at a multiple of 4 and is left out",
    )


def test_labels_and_undefined_functions_are_no_functions(tmp_path: Path) -> None:
    symbols = [Sym("f", 0x8000_1000, 8), Sym("label", 0x8000_1004, type=NOTYPE), Sym("puts", 0, type=FUNC, section=0)]
    program = load_elf(write(tmp_path, Elf([TEXT], symbols)))
    assert [function.name for function in program.functions] == ["f"]
    assert program.notes == ()


def test_gp_is_the_symbol_of_the_linker_script_or_zero(tmp_path: Path) -> None:
    symbols = [Sym("f", 0x8000_1000, 8), Sym("_gp", 0x8000_9FF0, type=NOTYPE)]
    assert load_elf(write(tmp_path, Elf([TEXT], symbols))).gp == 0xFFFF_FFFF_8000_9FF0
    assert load_elf(write(tmp_path, Elf([TEXT], symbols[:1]))).gp == 0


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    assert refusal(tmp_path / "clock.elf") == ("clock.elf: no such file\nhelp: check the path in [guest] of tally.toml")


def test_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "clock.elf").mkdir()
    assert refusal(tmp_path / "clock.elf") == (
        "clock.elf: cannot be read: got is a directory, expected a readable file\n"
        "help: check the path and its permissions"
    )


def test_an_unreadable_file_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: Path) -> bytes:  # as the system does for all users but root
        raise PermissionError(EACCES, os.strerror(EACCES))

    path = write(tmp_path, Elf([TEXT], [Sym("f", 0x8000_1000, 8)]))
    monkeypatch.setattr(Path, "read_bytes", refuse)
    assert refusal(path).startswith("clock.elf: cannot be read: got permission denied, expected a readable file")


def test_a_file_that_is_no_elf_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, b"#!/bin/sh\n")) == (
        "clock.elf: is not an ELF file: got it starts with 23212f62, expected 7f454c46\n"
        "help: for a raw image give `base` and `functions` in [guest]"
    )


def test_an_empty_file_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, b"")).startswith("clock.elf: is not an ELF file: got it starts with nothing,")


def test_another_machine_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, Elf([TEXT], [Sym("f", 0x8000_1000, 8)], machine=62))) == (
        "clock.elf: is for another machine: got EM_X86_64, expected EM_MIPS\n"
        "help: `image` in [guest] is the guest program, not the translated one"
    )


def test_little_endian_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, Elf([TEXT], [Sym("f", 0x8000_1000, 8)], order="<"))) == (
        "clock.elf: has the wrong byte order: got little-endian, expected big-endian\n"
        "help: build the guest program with -EB"
    )


def test_an_object_file_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, Elf([TEXT], [Sym("f", 0x8000_1000, 8)], type=1))) == (
        "clock.elf: is not linked to fixed addresses: got ET_REL, expected ET_EXEC\n"
        "help: link it to an executable without -r, -shared and -pie"
    )


def test_an_image_without_function_symbols_is_refused(tmp_path: Path) -> None:
    assert refusal(write(tmp_path, Elf([TEXT]))) == (
        "clock.elf: has no function symbols: got 0 symbols of type FUNC, none of them in executable memory,"
        " expected at least one\n"
        "help: link without -s and do not strip the image; or make a raw image of it and list the functions"
    )


def test_a_program_outside_kseg0_and_kseg1_is_refused(tmp_path: Path) -> None:
    elf = Elf([Section(".text", 0x0040_0000, NOPS, CODE)], [Sym("f", 0x0040_0000, 8)])
    assert refusal(write(tmp_path, elf)) == (
        "clock.elf: .text: is outside the memory that needs no TLB: got 0000000000400000-000000000040001f,"
        " expected addresses in ffffffff80000000-ffffffffbfffffff\n"
        "help: link the program to run in kseg0, for example at 80001000"
    )


def test_overlapping_sections_are_refused(tmp_path: Path) -> None:
    overlay = Section(".overlay", 0x8000_1010, NOPS, CODE)
    assert refusal(write(tmp_path, Elf([TEXT, overlay], [Sym("f", 0x8000_1000, 8)]))) == (
        "clock.elf: .overlay: overlaps .text: got ffffffff80001010-ffffffff8000102f,"
        " expected an address after ffffffff8000101f\n"
        "help: what is loaded at different times belongs into [[segment]] tables"
    )


def test_a_section_over_the_return_page_is_refused(tmp_path: Path) -> None:
    elf = Elf([TEXT, Section(".data", 0x8FFF_FFFC, b"tide", DATA)], [Sym("f", 0x8000_1000, 8)])
    assert "covers the page that the harness keeps for its return address" in refusal(write(tmp_path, elf))


def test_a_section_of_absurd_size_is_refused(tmp_path: Path) -> None:
    elf = Elf([TEXT, Section(".bss", 0x8010_0000, None, DATA, size=0x0800_0000)], [Sym("f", 0x8000_1000, 8)])
    assert refusal(write(tmp_path, elf)).startswith("clock.elf: the image is too large: got 134217760 bytes")


def test_a_cut_or_damaged_file_is_refused_or_read_and_never_a_traceback(tmp_path: Path) -> None:
    whole = Elf([TEXT, Section(".data", 0x8000_2000, b"tide", DATA)], [Sym("f", 0x8000_1000, 8)]).build()
    damaged = [whole[:end] for end in range(4, len(whole))]
    damaged += [
        whole[:at] + bytes([whole[at] ^ flip]) + whole[at + 1 :]
        for at in range(4, len(whole))
        for flip in (1, 0x80, 0xFF)
    ]
    refused = 0
    for image in damaged:
        try:
            load_elf(write(tmp_path, image))
        except UsageError:
            refused += 1
    assert refused > len(whole) // 2, "most cuts lose something that is needed"
