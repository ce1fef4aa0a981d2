"""ci/seed-interp-bugs: its bugs fit the interpreter as it is, leave none of its meanings out, and it tells the truth.

That each bug is noticed is the script's own affair: it takes minutes.
"""

from __future__ import annotations

import ast
import importlib.util
import json
import os
import subprocess
import sys
from collections.abc import Iterator
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "ci/seed-interp-bugs"


def script() -> ModuleType:
    loader = SourceFileLoader("seed_interp_bugs", str(SCRIPT))
    spec = importlib.util.spec_from_loader(loader.name, loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[loader.name] = module  # NamedTuple looks its module up
    writes, sys.dont_write_bytecode = sys.dont_write_bytecode, True  # no ci/__pycache__
    try:
        loader.exec_module(module)
    finally:
        sys.dont_write_bytecode = writes
    return module


SEEDS = script()
BUGS = SEEDS.load(SEEDS.BUGS)


@pytest.mark.parametrize("bug", BUGS, ids=lambda bug: bug.id)
def test_a_bug_fits_the_interpreter_as_it_is(bug: SEEDS.Bug) -> None:
    text = SEEDS.applied(bug, ROOT)
    compile(text, bug.module, "exec")
    assert text != (ROOT / bug.module).read_text(encoding="utf-8")
    assert bug.kind and all((ROOT / test).exists() for test in bug.tests)


def test_bugs_have_names_of_their_own() -> None:
    assert len({bug.id for bug in BUGS}) == len(BUGS) >= 60


def meanings(module: str) -> Iterator[tuple[str, int, int]]:
    """Each function or call that declares rows: its text, and the place of that in the module."""
    source = (ROOT / module).read_text(encoding="utf-8")
    lines = source.splitlines(keepends=True)
    for node in ast.walk(ast.parse(source)):
        decorators = getattr(node, "decorator_list", [])
        decorating = isinstance(node, ast.Expr) and isinstance(getattr(node.value, "func", None), ast.Call)
        if isinstance(node, ast.stmt) and (decorators or decorating):
            first = min(part.lineno for part in (node, *decorators))
            start, end = (sum(map(len, lines[:line])) for line in (first - 1, node.end_lineno))
            yield source[start:end], start, end


@pytest.mark.parametrize("module", sorted(f"interp/{path.name}" for path in (ROOT / "interp").glob("ops_*.py")))
def test_every_meaning_of_a_row_has_a_bug(module: str) -> None:
    source = (ROOT / module).read_text(encoding="utf-8")
    seeded = [(source.index(bug.right), len(bug.right)) for bug in BUGS if bug.module == module]
    missed = [
        text for text, start, end in meanings(module) if not any(at < end and start < at + size for at, size in seeded)
    ]
    assert list(meanings(module)) and missed == []


# --- the script on a small tree ---------------------------------------------------------------------------------------

OPS = """
def add(a, b):
    return a + b


def half(a):
    while a % 2:
        a -= 1
    return a // 2
"""
SUMS = """
from interp.ops import add, half

def test_sums():
    assert add(1, 2) == 3
"""
HALVES = (
    SUMS.replace("sums", "halves").replace("add(1, 2)", "half(6)")
    + """
def test_odd_numbers():
    half(3)
"""
)


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """Sources and tests; what no test looks at is the half of an odd number."""
    tree = tmp_path / "tree"
    texts = {
        "pyproject.toml": '[tool.pytest.ini_options]\npythonpath = ["."]\n',
        "interp/__init__.py": "",
        "interp/ops.py": OPS,
        "tests/interp/test_sums.py": SUMS,
        "tests/engines/test_halves.py": HALVES,
    }
    for name, text in texts.items():
        (tree / name).parent.mkdir(parents=True, exist_ok=True)
        (tree / name).write_text(text, encoding="utf-8")
    return tree


def run(tree: Path, bugs: str, *options: str) -> tuple[int, str, str]:
    """Exit status and texts of the script on a tree, with bugs as rows of the table."""
    file = tree.parent / "bugs.toml"
    file.write_text(f'[ops]\ntests = ["interp/test_sums.py"]\nbugs = [\n{bugs}\n]\n', encoding="utf-8")
    command = [sys.executable, str(SCRIPT), "--tree", str(tree), "--bugs", str(file), *options]
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
    return done.returncode, done.stdout, done.stderr


SUM = '["sum", "add", "a + b", "a - b"],'
HALF = '["half", "half", "a // 2", "a"],'
ODD = '["odd", "half", "a -= 1", "a += 1"],'


def test_the_test_that_notices_a_bug_is_named_and_a_bug_that_none_notices_survives(tree: Path) -> None:
    status, table, errors = run(tree, SUM + HALF + ODD, "--json", str(tree.parent / "verdicts.json"))
    noticed = ["tests/interp/test_sums.py::test_sums", "tests/engines/test_halves.py::test_halves", None]
    *rows, last = table.splitlines()
    assert [row.split()[:2] for row in rows] == [["sum", "add"], ["half", "half"], ["odd", "half"]]
    assert [row.split()[3] for row in rows] == [*noticed[:2], "SURVIVED"]
    assert last.startswith("3 bugs: 2 noticed, 1 survived, ") and last.endswith(" odd")
    assert (status, errors) == (1, "")
    verdicts = json.loads((tree.parent / "verdicts.json").read_text(encoding="utf-8"))
    assert [bug["noticed_by"] for bug in verdicts["bugs"]] == noticed
    assert verdicts["survived"] == ["odd"]
    assert (tree / "interp/ops.py").read_text(encoding="utf-8") == OPS, "the sources themselves stay as they were"


def test_where_all_are_noticed_the_exit_status_is_0(tree: Path) -> None:
    assert run(tree, SUM + ODD, "-k", "^sum")[0] == 0


@pytest.mark.parametrize(
    ("bugs", "options", "words"),
    [
        ('["gone", "add", "a * b", "a - b"],', (), "gone: cannot be put into interp/ops.py: got 0 places"),
        ('["twice", "half", "a", "b"],', (), "twice: cannot be put into interp/ops.py: got"),
        (SUM, ("-k", "nothing"), "-k nothing: no bug has that"),
    ],
)
def test_a_bug_that_does_not_apply_is_an_error(tree: Path, bugs: str, options: tuple[str, ...], words: str) -> None:
    status, table, errors = run(tree, bugs, *options)
    assert (status, table) == (2, "")
    assert errors.startswith(f"ci/seed-interp-bugs: {words}") and "\nhelp: " in errors


def test_tests_that_fail_by_themselves_say_nothing_of_bugs(tree: Path) -> None:
    (tree / "interp/ops.py").write_text(OPS.replace("//", "*"), encoding="utf-8")
    status, table, errors = run(tree, SUM)
    assert (status, table) == (2, "")
    assert "tests/engines/test_halves.py::test_halves: fails without any bug" in errors


def test_a_hang_counts_as_noticed_and_is_told_as_such(tree: Path) -> None:
    (tree / "interp/ops.py").write_text(OPS.replace("a -= 1", "a += 2"), encoding="utf-8")
    noticed = SEEDS.noticed(tree, ["tests/engines"], silence=3)  # of the processor: any machine begins the test in that
    assert noticed == "tests/engines/test_halves.py::test_odd_numbers (time limit)"


def test_a_test_process_that_dies_counts_as_noticed(tree: Path) -> None:
    killed = OPS.replace("return a + b", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    (tree / "interp/ops.py").write_text(killed, encoding="utf-8")
    assert SEEDS.noticed(tree, ["tests/interp"]) == "tests/interp/test_sums.py::test_sums (SIGSEGV)"
