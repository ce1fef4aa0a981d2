"""DEVELOPERS.md says what is there: paths, dependencies, recipes that end in a command. Scripts say what they do."""

from __future__ import annotations

import re
import tomllib
from itertools import chain
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
QUOTED = re.findall(r"`([^`\n]+)`", TEXT)
ROOMS = ("interp", "harness", "tests", "fixtures", "ci", ".ci")

PATHS = sorted({word for quoted in QUOTED for word in quoted.split() if word.split("/")[0] in ROOMS})
#: Names without a folder, as `trace.py`.
NAMES = sorted({name for name in QUOTED if re.fullmatch(r"[\w.]+\.(py|c|h|jinja|md|toml)", name)})
SCRIPTS = [
    ROOT / ".ci/run",
    *sorted(path for path in (ROOT / "ci").rglob("*") if path.stat().st_mode & 0o100 and path.is_file()),
]
RECIPES = re.split(r"^### ", TEXT.split("## Recipes")[1].split("## Open ends")[0], flags=re.MULTILINE)[1:]


@pytest.mark.parametrize("path", PATHS)
def test_a_path_leads_somewhere(path: str) -> None:
    assert (ROOT / path).exists()


@pytest.mark.parametrize("name", NAMES)
def test_a_file_named_without_its_folder_is_somewhere(name: str) -> None:
    assert any(list((ROOT / room).rglob(name)) for room in ROOMS) or (ROOT / name).exists()


def test_the_dependencies_and_their_lower_bounds_are_those_of_the_project() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    declared = {*project["dependencies"], *chain(*project["optional-dependencies"].values())}
    assert {name for name in QUOTED if ">=" in name} == {name for name in declared if ">=" in name}


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda script: script.name)
def test_a_script_begins_by_saying_what_it_does(script: Path) -> None:
    first, second, *_ = script.read_text(encoding="utf-8").splitlines()
    assert first.startswith("#!")
    assert re.match(r'(# |""")[A-Z].{20}', second)


@pytest.mark.parametrize("recipe", RECIPES, ids=lambda recipe: recipe.split("\n")[0].replace(" ", "-"))
def test_a_recipe_has_a_pattern_and_numbered_steps_and_ends_with_a_command(recipe: str) -> None:
    title, _, body = recipe.partition("\n\n")
    assert body.startswith("Pattern: "), title
    assert re.search(r"^1\. .*^2\. ", body, re.DOTALL | re.MULTILINE), title
    assert re.match(r"Done when `(pytest|tallystick|ci/)", body.strip().split("\n\n")[-1]), title
