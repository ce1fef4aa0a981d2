"""Raw images with a function list: what is read, and what is said about bad ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.program.model import Program
from harness.program.raw import load_raw

BASE = 0xFFFF_FFFF_8000_1000


def load(folder: Path, listing: str | bytes, image: bytes = bytes(0x2000), base: int = 0x8000_1000) -> Program:
    (folder / "clock.bin").write_bytes(image)
    (folder / "functions.txt").write_bytes(listing if isinstance(listing, bytes) else listing.encode())
    return load_raw(folder / "clock.bin", base, folder / "functions.txt")


def refusal(folder: Path, listing: str | bytes, image: bytes = bytes(0x2000), base: int = 0x8000_1000) -> str:
    with pytest.raises(UsageError) as error:
        load(folder, listing, image, base)
    return str(error.value).replace(f"{folder}/", "")


def test_a_list_names_functions_with_address_and_size_in_hexadecimal(tmp_path: Path) -> None:
    program = load(tmp_path, "# the hands\n0x80001040 5c hand_angle  # degrees\n\n80001000 40 tick\n")
    assert [(f.name, f.address, f.size) for f in program.functions] == [
        ("tick", BASE, 0x40),
        ("hand_angle", BASE + 0x40, 0x5C),
    ]
    assert program.entry == BASE
    assert program.gp == 0


def test_functions_make_code_and_the_rest_is_data(tmp_path: Path) -> None:
    program = load(tmp_path, "80001000 1000 tick", image=bytes(0x1000) + b"tide".ljust(0x1800, b"."))
    assert [(r.address - BASE, len(r.data), r.writable, r in program.code) for r in program.regions] == [
        (0, 0x1000, False, True),
        (0x1000, 0x2000, True, False),
    ]
    assert program.regions[1].data[:5] == b"tide."
    assert program.regions[1].data[0x1800:] == bytes(0x800)


def test_a_page_with_code_and_data_is_executable_and_writable(tmp_path: Path) -> None:
    program = load(tmp_path, "80001010 20 tick", image=bytes(0x40))
    assert [(r.writable, r in program.code) for r in program.regions] == [(True, True)]


def test_padding_between_functions_is_no_data(tmp_path: Path) -> None:
    program = load(tmp_path, "80001000 ff4 tick\n80002000 1000 tock")
    assert [(r.writable, r in program.code) for r in program.regions] == [(False, True)]


def test_an_image_need_not_begin_at_a_page(tmp_path: Path) -> None:
    program = load(tmp_path, "80001008 8 tick", image=b"12345678" + bytes(8), base=0x8000_1000 + 0)
    assert program.regions[0].data[:8] == b"12345678"
    shifted = load(tmp_path, "80001408 8 tick", image=b"12345678" + bytes(8), base=0x8000_1400)
    assert shifted.regions[0].data[0x400:0x408] == b"12345678"


@pytest.mark.parametrize(
    ("listing", "message"),
    [
        (
            "80001000 40",
            "functions.txt line 1: has the wrong number of fields: got 2, expected 3\n"
            "help: a line is `address size name`, as in `80001040 5c crc32_step`",
        ),
        (
            "\ntick 40 80001000",
            "functions.txt line 2: address is not a number: got 'tick', expected hexadecimal\n"
            "help: a line is `address size name`, as in `80001040 5c crc32_step`",
        ),
        (
            "80001000 2e tick",
            "functions.txt line 1: size is not a positive multiple of 4: got 0x2e bytes, expected whole instructions\n"
            "help: MIPS III instructions are 4 bytes; give the size up to the end of the last delay slot",
        ),
        (
            "80001002 8 tick",
            "functions.txt line 1: address is not a positive multiple of 4: got ffffffff80001002,"
            " expected whole instructions\n"
            "help: MIPS III instructions are 4 bytes; give the size up to the end of the last delay slot",
        ),
        (
            "80002ffc 8 tick",
            "functions.txt line 1: function is outside the image: got ffffffff80002ffc-ffffffff80003003,"
            " expected addresses in ffffffff80001000-ffffffff80002fff\n"
            "help: check `base` in [guest] and the list",
        ),
        (
            "80001000 8 tick\n80001000 8 tock",
            "functions.txt line 2: two functions have one address: got tock and tick at ffffffff80001000,"
            " expected one line for each address\n"
            "help: remove one of the two lines",
        ),
        (
            "# none yet\n",
            "functions.txt: lists no function: expected at least one line\n"
            "help: a line is `address size name`, as in `80001040 5c crc32_step`",
        ),
        (
            b"80001000 8 \xff",
            "functions.txt: is not text: got byte ff at offset 11, expected UTF-8\n"
            "help: the function list is a text file; did `functions` name the image?",
        ),
    ],
)
def test_a_bad_list_is_refused_with_its_line(tmp_path: Path, listing: str | bytes, message: str) -> None:
    assert refusal(tmp_path, listing) == message


def test_an_empty_image_is_refused(tmp_path: Path) -> None:
    assert refusal(tmp_path, "80001000 8 tick", image=b"") == (
        "clock.bin: is empty: expected the bytes of a program\nhelp: check `image` in [guest]"
    )


def test_a_base_outside_kseg0_and_kseg1_is_refused(tmp_path: Path) -> None:
    assert "code: is outside the memory that needs no TLB" in refusal(tmp_path, "1000 8 tick", base=0x1000)


def test_a_missing_list_is_named(tmp_path: Path) -> None:
    (tmp_path / "clock.bin").write_bytes(bytes(16))
    with pytest.raises(UsageError, match=r"functions\.txt: no such file"):
        load_raw(tmp_path / "clock.bin", BASE, tmp_path / "functions.txt")
