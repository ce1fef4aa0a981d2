"""Which kind of image ``[guest]`` means."""

from __future__ import annotations

from pathlib import Path

from elf_image import CODE, Elf, Section, Sym

from harness.config import Guest
from harness.program.load import load_program


def test_an_image_without_base_is_an_elf_file(tmp_path: Path) -> None:
    path = tmp_path / "clock.elf"
    path.write_bytes(Elf([Section(".text", 0x8000_1000, bytes(8), CODE)], [Sym("tick", 0x8000_1000, 8)]).build())
    assert [function.name for function in load_program(Guest(image=path)).functions] == ["tick"]


def test_an_image_with_base_and_list_is_raw(tmp_path: Path) -> None:
    image, listing = tmp_path / "clock.bin", tmp_path / "functions.txt"
    image.write_bytes(bytes(16))
    listing.write_text("80001008 8 tock")
    guest = Guest(image=image, base="0x80001000", functions=listing)
    assert [function.name for function in load_program(guest).functions] == ["tock"]
