"""``tally.toml``: what it means, and what a reader is told where it is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel

from harness.config import Abi, Build, Fpu, MemoryOrder, Scope, Tables, load_config
from harness.config.builds import overlay
from harness.errors import UsageError

SMALL = """
[guest]
image = "bin/clock.elf"
[translated]
sources = ["c/*.c"]
[translated.binding]
call = "{function}(&g)"
gpr = "g.r[{n}]"
"""

RAW = SMALL.replace('"bin/clock.elf"', '"clock.bin"\nbase = "0x80001000"\nfunctions = "list.txt"')


def loaded(folder: Path, text: str) -> tuple[Build, ...]:
    file = folder / "tally.toml"
    file.write_text(text)
    return load_config(file).builds


def refusal(folder: Path, text: str) -> str:
    """The text of the error, with the folder left out."""
    with pytest.raises(UsageError) as caught:
        loaded(folder, text)
    return str(caught.value).replace(f"{folder}/", "")


def test_a_small_file_gives_one_build_without_a_name_and_documented_defaults(tmp_path: Path) -> None:
    (build,) = loaded(tmp_path, SMALL)
    assert build.name == ""
    assert build.folder == tmp_path
    assert build.guest.image == tmp_path / "bin/clock.elf"
    assert build.guest.abi is Abi.O32
    assert build.translated is not None
    assert build.translated.compilers == ("gcc -O2",)
    assert build.translated.binding.memory_order is MemoryOrder.BIG
    assert build.translated.binding.memory_base == 0xFFFF_FFFF_8000_0000
    assert (build.check.states, build.check.fuel, build.check.seed) == (200, 200_000, 0)
    assert build.check.scope is Scope.ABI
    assert build.translator is None


def test_a_file_may_leave_the_translation_out(tmp_path: Path) -> None:
    (build,) = loaded(tmp_path, '[guest]\nimage = "clock.elf"\n')
    assert build.translated is None


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ('"0x80001000"', 0xFFFF_FFFF_8000_1000),
        ("0x80001000", 0xFFFF_FFFF_8000_1000),
        ('"0xffffffff80001000"', 0xFFFF_FFFF_8000_1000),
        ('"0x7ffff000"', 0x7FFF_F000),
        ("0", 0),
        ('"4096"', 4096),
    ],
)
def test_an_address_is_sign_extended_from_32_bits(tmp_path: Path, written: str, meant: int) -> None:
    (build,) = loaded(tmp_path, RAW.replace('"0x80001000"', written))
    assert build.guest.base == meant


@pytest.mark.parametrize("written", ['"dock"', "-1", '"0x10000000000000000"', "true", "1.5", '""'])
def test_what_is_no_address_is_refused_at_its_key(tmp_path: Path, written: str) -> None:
    assert refusal(tmp_path, RAW.replace('"0x80001000"', written)).startswith("tally.toml [guest] base: ")


@pytest.mark.parametrize(
    ("abi", "fpu", "fr"),
    [("o32", "", False), ("n32", "", True), ("o64", "", True), ("o32", "flat", True), ("n32", "paired", False)],
)
def test_the_wiring_of_the_fpu_follows_the_abi_unless_said(tmp_path: Path, abi: str, fpu: str, fr: bool) -> None:
    keys = f'abi = "{abi}"\n' + (f'fpu = "{fpu}"\n' if fpu else "")
    (build,) = loaded(tmp_path, SMALL.replace("[translated]", keys + "[translated]", 1))
    assert build.guest.fr is fr


def test_builds_are_laid_over_the_tables_of_the_file(tmp_path: Path) -> None:
    first, second = loaded(
        tmp_path,
        SMALL
        + """
[[build]]
name = "plain"
[[build]]
name = "flat"
guest = { fpu = "flat" }
[build.translated]
compilers = ["clang -O1"]
[build.translated.binding]
hi = "g.hi"
""",
    )
    assert (first.name, first.guest.fpu, second.name, second.guest.fpu) == ("plain", None, "flat", Fpu.FLAT)
    assert second.guest.image == first.guest.image
    assert first.translated is not None and second.translated is not None
    assert (first.translated.compilers, second.translated.compilers) == (("gcc -O2",), ("clang -O1",))
    assert (first.translated.binding.hi, second.translated.binding.hi) == (None, "g.hi")
    assert second.translated.binding.gpr == first.translated.binding.gpr


def test_overlay_merges_tables_and_replaces_everything_else() -> None:
    below = {"kept": 1, "list": [1, 2], "table": {"kept": 1, "replaced": 1}}
    above = {"list": [3], "table": {"replaced": {"deep": 2}}, "new": 4}
    assert overlay(below, above) == {"kept": 1, "list": [3], "table": {"kept": 1, "replaced": {"deep": 2}}, "new": 4}
    assert below == {"kept": 1, "list": [1, 2], "table": {"kept": 1, "replaced": 1}}


REFUSALS = {
    "a hint about an argument is a text of one form": (
        SMALL + '[[function]]\npattern = "tide_*"\narguments = ["a0 is 64 bytes"]\n',
        "tally.toml [function] item 1 arguments: says nothing of an argument: got 'a0 is 64 bytes', expected a text "
        'like "a0: 64 bytes", "a1: length of a0 by 2", "a2: 0 to 63" or "a3: one of 1, 2, 4"',
    ),
    "a hint about an argument is possible": (
        SMALL + '[[function]]\npattern = "tide_*"\narguments = ["a2: 9 to 3"]\n',
        "tally.toml [function] item 1 arguments: says nothing of an argument: got 'a2: 9 to 3', expected a text "
        'like "a0: 64 bytes", "a1: length of a0 by 2", "a2: 0 to 63" or "a3: one of 1, 2, 4"',
    ),
    "an unknown key of a function names the nearest known one": (
        SMALL + '[[function]]\npattern = "tide_*"\nacept = "slow"\n',
        "tally.toml [function] item 1 acept: unknown key: got acept, expected accept, arguments, pattern\n"
        'help: did you mean "accept"?',
    ),
    "an unknown key names the nearest known one": (
        SMALL.replace("gpr =", "gpr_s ="),
        "tally.toml [translated.binding] gpr_s: unknown key: got gpr_s, expected call, declare, device_read, "
        "device_write, fcsr, fpr, fpr_word, function, gpr, hi, lo, memory_base, memory_order, prototype, setup\n"
        'help: did you mean "gpr"?',
    ),
    "an unknown table names the nearest known one": (
        SMALL.replace("[guest]", "[gest]"),
        "tally.toml gest: unknown key: got gest, expected check, external, function, guest, segment, translated, "
        "translator, window, build\n"
        'help: did you mean "guest"?',
    ),
    "a missing table is named": (
        "",
        "tally.toml [guest]: missing table\nhelp: `tallystick init` writes a file with every table and key",
    ),
    "a missing key is described": (
        '[guest]\nabi = "o32"\n',
        "tally.toml [guest] image: missing key\n"
        "help: add it: ELF file of the guest program (32 or 64 bit, big-endian MIPS) or raw image.",
    ),
    "a wrong word names the right ones": (
        SMALL + '[check]\nscope = "most"\n',
        "tally.toml [check] scope: value does not fit: got 'most', expected 'abi' or 'all'",
    ),
    "a wrong type names the right one": (
        SMALL + '[check]\nstates = "many"\n',
        "tally.toml [check] states: value does not fit: got 'many', expected an integer",
    ),
    "a number out of range names the bound": (
        SMALL + "[check]\nstates = 0\n",
        "tally.toml [check] states: value does not fit: got 0, expected greater than or equal to 1",
    ),
    "an empty list is not enough": (
        SMALL.replace('["c/*.c"]', "[]"),
        "tally.toml [translated] sources: value does not fit: got [], expected at least one entry",
    ),
    "an entry of a list has its place": (
        SMALL.replace('["c/*.c"]', '["c/*.c", 7]'),
        "tally.toml [translated.sources] item 2: value does not fit: got 7, expected a string",
    ),
    "a table must be one": (
        'guest = "clock.elf"',
        "tally.toml guest: value does not fit: got 'clock.elf', expected a table",
    ),
    "a register without number is no register": (
        SMALL.replace("g.r[{n}]", "g.r[3]"),
        "tally.toml [translated.binding] gpr: names no register: got 'g.r[3]', expected {n} where the number belongs",
    ),
    "a raw image needs both of its keys": (
        SMALL.replace('clock.elf"', 'clock.bin"\nbase = 0'),
        "tally.toml guest: a raw image needs both base and functions: expected both keys, or neither for an ELF file",
    ),
    "an external takes arguments from registers and the stack": (
        SMALL + '[[external]]\nname = "port_send"\narguments = ["a0", "a9"]\n',
        "tally.toml [external.arguments] item 1 item 2: names no argument: got 'a9', "
        'expected a register such as "a0", "f12" or "d12", or a stack word "sp+16"',
    ),
    "an external reads memory through a pointer": (
        SMALL + '[[external]]\nname = "port_send"\nreads = ["a0"]\n',
        "tally.toml [external.reads] item 1 item 1: names no memory: got 'a0', "
        'expected "a1[16]", "a1[a2]", "a1[a2*4]" or "a0[text]"',
    ),
    "a result of an external has a name": (
        SMALL + '[[external]]\nname = "port_send"\nresult = "int"\n',
        "tally.toml [external] item 1 result: is no result: got 'int', "
        "expected integer, boolean, wide, float, double, none, an argument register, or a list of integers",
    ),
    "an external lies where no translation of addresses is needed": (
        SMALL + '[[external]]\nname = "port_send"\naddress = 0x400\n',
        "tally.toml [external] item 1 address: needs the TLB: got 0000000000000400, "
        "expected an address in ffffffff80000000-ffffffffbfffffff",
    ),
    "a window holds whole registers": (
        SMALL + '[[window]]\nname = "crane"\naddress = "0xa4f00002"\nsize = 8\n',
        "tally.toml [window] item 1: does not hold whole registers: got 8 bytes at ffffffffa4f00002, "
        "expected multiples of width, which is 4",
    ),
    "a segment has something to load": (
        SMALL + '[[segment]]\nname = "harbour"\n',
        "tally.toml [segment] item 1: has nothing to load: got harbour, "
        "expected sections of the ELF image, or image, base and functions",
    ),
    "a key of a build says which build": (
        SMALL + '[[build]]\nname = "neap"\nguest = { abi = "o23" }\n',
        'tally.toml [[build]] "neap" [guest] abi: value does not fit: '
        "got 'o23', expected 'o32', 'n32', 'o64' or 'eabi'",
    ),
    "a build needs a name": (
        SMALL + '[[build]]\nguest = { abi = "n32" }\n',
        "tally.toml [[build]] number 1 name: no usable name: got nothing, expected letters, digits and . + - _",
    ),
    "two builds have two names": (
        SMALL + '[[build]]\nname = "neap"\n[[build]]\nname = "neap"\n',
        "tally.toml [[build]] number 2 name: used twice: got 'neap', expected a name of its own",
    ),
    "builds are tables": (
        "build = 3\n" + SMALL,
        "tally.toml build: wrong type: expected one [[build]] table for each build",
    ),
    "a mistake of TOML has line and column": (
        "[guest]\nimage = \n",
        "tally.toml:2:9: not TOML: got invalid value",
    ),
}


@pytest.mark.parametrize(("text", "message"), REFUSALS.values(), ids=[name.replace(" ", "-") for name in REFUSALS])
def test_what_is_wrong_is_said_with_file_and_key(tmp_path: Path, text: str, message: str) -> None:
    assert refusal(tmp_path, text) == message


def test_a_byte_order_mark_and_line_ends_of_other_systems_do_not_matter(tmp_path: Path) -> None:
    plain = loaded(tmp_path, SMALL)
    (tmp_path / "tally.toml").write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load_config(tmp_path / "tally.toml").builds == plain


def test_a_file_that_ends_too_early_is_no_toml(tmp_path: Path) -> None:
    assert refusal(tmp_path, 'image = """').startswith("tally.toml: end of file: not TOML: ")


def test_a_file_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        load_config(tmp_path / "tally.toml")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        load_config(tmp_path)


def test_a_file_that_is_not_utf_8_is_said_so(tmp_path: Path) -> None:
    file = tmp_path / "tally.toml"
    file.write_bytes(b'image = "\xff"')
    with pytest.raises(UsageError, match=r"not UTF-8: got byte 0xff at offset 9"):
        load_config(file)


def models_in(model: type[BaseModel]) -> Iterator[type[BaseModel]]:
    yield model
    for field in model.model_fields.values():
        for part in (field.annotation, *get_args(field.annotation)):
            if isinstance(part, type) and issubclass(part, BaseModel):
                yield from models_in(part)


def test_every_key_is_described() -> None:
    found = list(models_in(Tables))
    assert len(found) == 11
    for model in found:
        for name, field in model.model_fields.items():
            assert field.description and field.description.endswith("."), f"{model.__name__}.{name}"
