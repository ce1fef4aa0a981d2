"""The file that ``tallystick init`` writes: it loads, says everything there is to say, and never replaces a file."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import get_args

import pytest
from pydantic import BaseModel
from tiny_project import make

from harness import cli
from harness.config import Build, Tables, load_config
from harness.starter import starter

#: A key or a table behind "#", as against an explanation.
COMMENTED = re.compile(r"^# (?=\[|\w+ = )", re.MULTILINE)


def loaded(folder: Path, text: str) -> tuple[Build, ...]:
    file = folder / "tally.toml"
    file.write_text(text)
    return load_config(file).builds


def leaves(model: type[BaseModel], path: str = "") -> Iterator[str]:
    """The keys of a model and of the tables in it, as ``translated.binding.gpr``; those of list entries left out."""
    for name, field in model.model_fields.items():
        for part in (field.annotation, *get_args(field.annotation)):
            if isinstance(part, type) and issubclass(part, BaseModel) and Ellipsis not in get_args(field.annotation):
                yield from leaves(part, f"{path}{name}.")
                break
        else:
            yield f"{path}{name}"


def keys_in(table: dict[str, object], path: str = "") -> Iterator[str]:
    for name, value in table.items():
        if isinstance(value, dict):
            yield from keys_in(value, f"{path}{name}.")
        else:
            yield f"{path}{name}"


def test_it_loads_as_it_is_with_its_examples(tmp_path: Path) -> None:
    (build,) = loaded(tmp_path, starter())
    assert build.guest.image == tmp_path / "harbour.elf"
    assert build.translator is None
    assert build.translated is not None
    assert build.translated.binding.call == "{function}(&m, {memory})"


def test_what_it_shows_as_a_default_is_the_default(tmp_path: Path) -> None:
    text = starter().split("# [[build]]")[0]
    shown = "\n".join(line for line in text.splitlines() if "# an example" not in line)
    shown = re.sub(r"(?s)# \[\[\w+\]\].*?(?=\n\n# [A-Z][^\n]*\n(?:# [^\n]*\n)*?#? ?\[|\Z)", "", shown)
    table = tomllib.loads(COMMENTED.sub("", shown))
    # By the README and the descriptions: 200 states, seed 0, o32, guest byte order from kseg0 on.
    assert table["check"] == {
        "states": 200,
        "fuel": 200_000,
        "seed": 0,
        "scope": "abi",
        "calls": "deep",
        "shapes": True,
        "guidance": True,
        "include": ["*"],
    }
    del table["translator"]  # has required keys, so it cannot show that it is absent by default
    (build,) = loaded(tmp_path, COMMENTED.sub("", re.sub(r"(?s)# \[translator\].*?(?=\n\[)", "", shown)))
    assert build == loaded(tmp_path, starter())[0]


def test_every_key_is_in_it_once_and_all_of_them_load_together(tmp_path: Path) -> None:
    text = COMMENTED.sub("", starter().split("# [[build]]")[0])
    assert sorted(keys_in(tomllib.loads(text))) == sorted(leaves(Tables))
    build = loaded(tmp_path, text)[0]
    assert build.translator is not None
    assert [one.pattern for one in build.check.exclude] == ["boot_*"]


def test_its_build_is_laid_over_the_rest(tmp_path: Path) -> None:
    build = loaded(tmp_path, COMMENTED.sub("", starter()))[0]
    assert (build.name, build.guest.image) == ("spring", tmp_path / "harbour-spring.elf")


def test_every_word_that_a_key_may_have_is_in_its_explanation() -> None:
    explained = starter().split("\n\n")
    for key in ("abi", "fpu", "memory_order", "scope"):
        (block,) = (one for one in explained if re.search(rf"^# {key} = ", one, re.MULTILINE))
        words = next(words for words in enums(Tables, key))
        assert all(re.search(rf"\b{word.value}\b", block.rsplit("\n", 1)[0]) for word in words), block


def enums(model: type[BaseModel], key: str) -> Iterator[type[Enum]]:
    for name, field in model.model_fields.items():
        for part in (field.annotation, *get_args(field.annotation)):
            if isinstance(part, type) and issubclass(part, BaseModel):
                yield from enums(part, key)
            elif name == key and isinstance(part, type) and issubclass(part, Enum):
                yield part


def test_no_line_of_it_is_too_long_to_read() -> None:
    assert max(map(len, starter().splitlines())) <= 100


def test_filled_in_for_a_project_it_is_enough_for_a_check(tmp_path: Path) -> None:
    make(tmp_path).unlink()  # everything of the project but its tally.toml
    tally = tmp_path / "tally.toml"
    assert cli.run(["init", str(tally)]) == 0
    text = tally.read_text()
    for key, value in {
        "image": '"guest.bin"',
        "base": '"0x80001000"',
        "functions": '"functions.txt"',
        "sources": '["c/*.c"]',
        "include": '["c"]',
        "headers": '["guest.h"]',
        "compilers": '["cc -O1"]',
        "function": '"f_{name}"',
        "call": '"{function}({memory})"',
        "prototype": '"void {function}(uint8_t *m)"',
        "gpr": '"g.r[{n}]"',
    }.items():
        text = re.sub(rf"^(# )?{key} = .*$", f"{key} = {value}", text, count=1, flags=re.MULTILINE)
    tally.write_text(text)
    assert cli.run(["check", str(tally), "-k", "add", "--states", "20", "--workers", "1"]) == 0


def test_before_it_is_filled_in_a_check_names_what_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = tmp_path / "tally.toml"
    assert cli.run(["init", str(tally)]) == 0
    assert f"wrote {tally}" in capsys.readouterr().out
    assert cli.run(["check", str(tally)]) == 2
    assert "harbour.elf: no such file" in capsys.readouterr().err


def test_without_a_name_it_goes_into_the_current_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.run(["init"]) == 0
    assert (tmp_path / "tally.toml").read_text() == starter()


def test_a_file_that_is_there_is_left_alone_with_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tally = tmp_path / "tally.toml"
    tally.write_text("mine")
    assert cli.run(["init", str(tally)]) == 2
    assert tally.read_text() == "mine"
    assert capsys.readouterr().err == f"{tally}: exists already\nhelp: name another file, or move this one away\n"


def test_a_folder_that_is_not_there_is_told_with_status_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["init", str(tmp_path / "none" / "tally.toml")]) == 2
    assert "cannot be written: got no such file or directory" in capsys.readouterr().err
