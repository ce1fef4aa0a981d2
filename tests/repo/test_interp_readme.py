"""interp/README.md is true: its lists are those of the code, its example stands in it, what it names is there.

``TALLYSTICK_REWRITE=1 pytest tests/repo/test_interp_readme.py`` writes the lists anew.
"""

from __future__ import annotations

import builtins
import inspect
import keyword
import os
import re
import shutil
from itertools import groupby
from pathlib import Path
from textwrap import wrap

import pytest

import interp
from interp import blocks, events, fcsr, forms, machine, memory, optable, softfloat, words
from interp.optable import ROWS, Kind, Row

ROOT = Path(__file__).parents[2]
README = ROOT / "interp/README.md"
MARK = "<!-- made by tests/repo/test_interp_readme.py: do not edit below -->\n"
BY_HAND = README.read_text(encoding="utf-8").split(MARK)[0]
FENCED = dict(re.findall(r"^```(\w+)\n(.*?)^```", BY_HAND, re.DOTALL | re.MULTILINE))
QUOTED = re.findall(r"`([^`\n]+)`", re.sub(r"^```.*?^```", "", BY_HAND, flags=re.DOTALL | re.MULTILINE))
#: Words of commands and paths, inside quotes and in the shell block.
WORDS = sorted({word for text in [*QUOTED, FENCED["sh"]] for word in text.split()})
PATHS = [word for word in WORDS if re.match(r"(interp|harness|tests|fixtures|ci)(/|$)", word)]
MODULES = [word for word in WORDS if re.fullmatch(r"\w+\.py", word)]
SCOPES = (blocks, events, fcsr, forms, machine, memory, optable, softfloat, words, machine.Machine, memory.Memory,
          blocks.Block, blocks.Assembler, optable.Row)  # fmt: skip


def chapter(row: Row) -> str:
    """The module that declares a row; a meaning of floating-point arithmetic may be one of the soft-float itself."""
    return "ops_fpu_arith" if row.kind is Kind.FLOAT else row.meaning.__module__.removeprefix("interp.")


def lists() -> str:
    """The instructions by chapter, and the events."""
    lines = [f"{len(ROWS)} instructions, by chapter:", ""]
    for name, rows in groupby(ROWS, chapter):
        names = [row.name for row in rows]
        lines += wrap(f"- `{name}.py`, {len(names)}: {', '.join(names)}", 120, subsequent_indent="  ")
    kinds = {"trap": events.TRAPS, "open": events.OPENS, "warning": events.WARNINGS}
    lines += ["", "| event | kind | what it is |", "|---|---|---|"]
    lines += [f"| {name} | {kind} | {what} |" for kind, ids in kinds.items() for name, what in ids.items()]
    return "\n".join([*lines, ""])


def test_the_lists_are_those_of_the_table_and_the_events() -> None:
    if os.environ.get("TALLYSTICK_REWRITE"):
        README.write_text(BY_HAND + MARK + lists(), encoding="utf-8")
    assert README.read_text(encoding="utf-8") == BY_HAND + MARK + lists()


def test_every_chapter_is_listed_once() -> None:
    named = re.findall(r"^- `(\w+)\.py`, \d+: ", lists(), re.MULTILINE)
    assert sorted(named) == sorted(path.stem for path in Path(interp.__file__).parent.glob("ops_*.py"))


def test_the_example_stands_in_the_code() -> None:
    assert FENCED["python"] in (ROOT / "interp/ops_alu.py").read_text(encoding="utf-8")


@pytest.mark.parametrize("path", PATHS)
def test_a_path_that_it_names_leads_somewhere(path: str) -> None:
    assert (ROOT / path).exists()


@pytest.mark.parametrize("name", MODULES)
def test_a_module_that_it_names_is_in_the_package(name: str) -> None:
    assert (ROOT / "interp" / name).exists()


def test_a_command_that_it_names_can_be_run() -> None:
    commands = [FENCED["sh"].strip(), *(text for text in QUOTED if "pytest" in text)]
    programs = {re.sub(r"^(\w+=\S+ )+", "", part).split()[0] for line in commands for part in line.split(" && ")}
    assert programs == {"pytest", "ci/seed-interp-bugs", "ci/compare-references"}
    for program in programs - {"pytest"}:
        assert shutil.which(ROOT / program), f"{program} can be run"


@pytest.mark.parametrize("name", sorted({name for name in QUOTED if re.fullmatch(r"[A-Za-z_]\w*(\.\w+)?", name)}))
def test_a_name_that_it_quotes_is_one_of_the_code(name: str) -> None:
    """A module, function, class, attribute, operand or instruction, or a word of Python."""
    names = {known for scope in SCOPES for known in (*dir(scope), *getattr(scope, "__annotations__", ()))}
    names |= {path.stem for path in (ROOT / "interp").iterdir()} | {row.name for row in ROWS}
    names |= {operand for row in ROWS for operand in row.operands}
    names |= {*inspect.signature(optable.row).parameters, *inspect.signature(machine.Machine.run).parameters}
    python = {*keyword.kwlist, *dir(builtins), "struct", "functools"}
    assert set(name.removesuffix(".py").split(".")) <= names | python


def test_it_can_be_read_in_one_sitting() -> None:
    text = README.read_text(encoding="utf-8")
    assert text.count("\n") < 200
    assert max(map(len, BY_HAND.splitlines())) <= 120
