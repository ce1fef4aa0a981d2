"""Segments: parts of a program that share addresses, of which those under test are in memory."""

from __future__ import annotations

from pathlib import Path

import pytest
from elf_image import CODE, NOTYPE, Elf, Section, Sym

from harness.config import Build, load_config
from harness.errors import UsageError
from harness.program.load import load_program
from harness.program.model import Program
from harness.program.segments import Loading

OVERLAY = 0xFFFF_FFFF_8020_0000
ABSOLUTE = 0xFFF1

SECTIONS = [
    Section(".text", 0x8000_1000, bytes(0x20), CODE),
    Section(".overlay.harbour", 0x8020_0000, b"\x11" * 0x20, CODE),
    Section(".overlay.chart", 0x8020_0000, b"\x22" * 0x40, CODE),
    Section(".overlay.far", 0x8030_0000, b"\x33" * 0x20, CODE),
]
SYMBOLS = [
    Sym("main", 0x8000_1000, 0x20, section=1),
    Sym("show", 0x8020_0000, 0x20, section=2),
    Sym("show", 0x8020_0000, 0x40, section=3),
    Sym("distant", 0x8030_0000, 0x20, section=4),
    Sym("port_send", 0x8000_0400, type=NOTYPE, section=ABSOLUTE),
]

THREE = """
[[segment]]
name = "harbour"
sections = [".overlay.h*"]
beside = ["far"]
[[segment]]
name = "chart"
sections = [".overlay.chart"]
[[segment]]
name = "far"
sections = [".overlay.far"]
"""


def builds(folder: Path, text: str, symbols: list[Sym] = SYMBOLS) -> dict[str, Build]:
    (folder / "clock.elf").write_bytes(Elf(SECTIONS, symbols).build())
    (folder / "tally.toml").write_text(f'[guest]\nimage = "clock.elf"\n{text}')
    return {build.name: build for build in load_config(folder / "tally.toml").builds}


def program(build: Build) -> Program:
    return load_program(build.guest, Loading.of(build))


def names(functions: object) -> list[tuple[str, str]]:
    return [(one.name, one.segment) for one in functions]  # type: ignore[attr-defined] # a tuple of functions


def test_each_segment_is_a_view_of_its_own(tmp_path: Path) -> None:
    assert list(builds(tmp_path, THREE)) == ["", "harbour", "chart", "far"]
    assert list(builds(tmp_path, THREE + '[[build]]\nname = "o32"\n')) == ["o32", "o32+harbour", "o32+chart", "o32+far"]


def test_without_a_segment_only_what_is_always_there_is_in_memory(tmp_path: Path) -> None:
    whole = program(builds(tmp_path, THREE)[""])
    assert names(whole.functions) == [("main", "")]
    assert names(whole.elsewhere) == [("show", "harbour"), ("show", "chart"), ("distant", "far")]
    assert [region.address for region in whole.regions] == [0xFFFF_FFFF_8000_1000]


def test_a_function_belongs_to_the_segment_of_its_section(tmp_path: Path) -> None:
    chart = program(builds(tmp_path, THREE)["chart"])
    assert names(chart.functions) == [("main", ""), ("show", "chart")]
    assert chart.functions[1].size == 0x40
    assert chart.region_at(OVERLAY).data[:0x41] == b"\x22" * 0x40 + b"\0"


def test_a_segment_may_lie_beside_another(tmp_path: Path) -> None:
    harbour = program(builds(tmp_path, THREE)["harbour"])
    assert names(harbour.functions) == [("main", ""), ("show", "harbour"), ("distant", "far")]
    assert harbour.region_at(OVERLAY).data[:0x21] == b"\x11" * 0x20 + b"\0"


def test_an_absolute_symbol_outside_of_all_segments_is_a_function_beyond(tmp_path: Path) -> None:
    inside = [*SYMBOLS, Sym("overlay_start", 0x8020_0000, type=NOTYPE, section=ABSOLUTE)]
    whole = program(builds(tmp_path, THREE, inside)[""])
    assert [(one.name, one.address, one.size) for one in whole.beyond] == [("port_send", 0xFFFF_FFFF_8000_0400, 0)]


REFUSALS = {
    "sections that overlap and no segment": (
        "",
        "",
        "clock.elf: .overlay.chart: overlaps .overlay.harbour: got ffffffff80200000-ffffffff8020003f, "
        "expected an address after ffffffff8020001f\n"
        "help: what is loaded at different times belongs into [[segment]] tables",
    ),
    "segments beside each other that overlap": (
        THREE.replace('"far"]', '"chart"]'),
        "harbour",
        "clock.elf: .overlay.chart: overlaps .overlay.harbour: got ffffffff80200000-ffffffff8020003f, "
        "expected an address after ffffffff8020001f\n"
        "help: what is loaded at different times belongs into [[segment]] tables",
    ),
    "a pattern without a section": (
        THREE.replace(".overlay.h*", ".overlay.x*"),
        "",
        "tally.toml [segment] item 1 sections: no section matches: got '.overlay.x*', "
        "expected sections such as .text, .overlay.harbour, .overlay.chart, .overlay.far\n"
        "help: `readelf -S` lists them",
    ),
    "a section of two segments": (
        THREE.replace(".overlay.far", ".overlay.*"),
        "",
        "tally.toml [segment] item 3 sections: .overlay.harbour belongs to two segments: got harbour and far",
    ),
    "two segments of one name": (
        THREE.replace('"chart"', '"harbour"'),
        "",
        "tally.toml [segment] item 2 name: used twice: got harbour, expected a name of its own",
    ),
    "a segment beside one that is not there": (
        THREE.replace('["far"]', '["near"]'),
        "",
        "tally.toml [segment] item 1 beside: no segment has this name: got near, expected chart, far",
    ),
}


@pytest.mark.parametrize(
    ("text", "view", "message"), REFUSALS.values(), ids=[key.replace(" ", "-") for key in REFUSALS]
)
def test_what_is_ambiguous_is_refused(tmp_path: Path, text: str, view: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        program(builds(tmp_path, text)[view])
    assert str(caught.value).replace(f"{tmp_path}/", "") == message


def test_a_segment_may_have_a_raw_image(tmp_path: Path) -> None:
    for name, byte in (("main", 1), ("harbour", 2), ("chart", 3)):
        (tmp_path / f"{name}.bin").write_bytes(bytes([byte]) * 0x10)
    (tmp_path / "main.txt").write_text("80001000 10 main\n")
    (tmp_path / "part.txt").write_text("80200000 8 show\n80200008 8 hide\n")
    text = '[guest]\nimage = "main.bin"\nbase = "0x80001000"\nfunctions = "main.txt"\n' + "".join(
        f'[[segment]]\nname = "{name}"\nimage = "{name}.bin"\nbase = "0x80200000"\nfunctions = "part.txt"\n'
        for name in ("harbour", "chart")
    )
    (tmp_path / "tally.toml").write_text(text)
    views = {build.name: program(build) for build in load_config(tmp_path / "tally.toml").builds}
    assert names(views[""].functions) == [("main", "")]
    assert names(views["chart"].functions) == [("main", ""), ("show", "chart"), ("hide", "chart")]
    assert views["harbour"].region_at(OVERLAY).data[:2] == b"\2\2"
    assert views["chart"].region_at(OVERLAY).data[:2] == b"\3\3"
    assert names(views["chart"].elsewhere) == [("show", "harbour"), ("hide", "harbour")]


def test_a_raw_program_has_no_sections(tmp_path: Path) -> None:
    (tmp_path / "main.bin").write_bytes(bytes(16))
    (tmp_path / "main.txt").write_text("80001000 10 main\n")
    text = '[guest]\nimage = "main.bin"\nbase = "0x80001000"\nfunctions = "main.txt"\n'
    (tmp_path / "tally.toml").write_text(text + '[[segment]]\nname = "harbour"\nsections = [".x"]\n')
    with pytest.raises(UsageError, match="segment harbour: names sections, and the image is none with sections"):
        program(load_config(tmp_path / "tally.toml").builds[0])
