"""The rooms and their floors: a room imports only from lower floors, and nothing that knows an engine judges one."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]

#: The floors of harness/, from the ground up. A name stands for a module or a whole package; the longest one counts.
FLOORS: tuple[tuple[str, ...], ...] = (
    ("harness.errors", "harness.verdicts", "harness.abi"),
    (
        "harness.config",
        "harness.results",
        "harness.engines.base",
        "harness.engines.outside",
        "harness.engines.world",
        "harness.engines.footprint",
        "harness.engines.guest",
        "harness.engines.operands",
        "harness.engines.probes",
        "harness.engines.registers",
        "harness.engines.replay",
        "harness.engines.trail",
        "harness.program.assembly",
    ),
    ("harness.program", "harness.evidence", "harness.explain.model", "harness.nights", "harness.culprits"),
    ("harness.translated", "harness.states", "harness.store", "harness.report", "harness.coverage", "harness.pool"),
    ("harness.engines",),
    ("harness.compare",),
    ("harness.check_function", "harness.tally"),
    ("harness.workbench",),
    ("harness.check", "harness.listing"),
    ("harness.replaying", "harness.survey", "harness.selftest", "harness.starter", "harness.opcodes"),
    ("harness.nightly", "harness.bisect"),
    ("harness.pytest_checks",),
    ("harness.explain",),
    ("harness.cli_shared", "harness.cli_bisect", "harness.cli_explain", "harness.cli_opcodes", "harness.cli_nightly"),
    ("harness.cli", "harness.pytest_plugin"),
)

#: What judges or tells of legs must not know any: these import no engine, only the protocol.
JUDGES = tuple(
    f"harness.{room}" for room in ("compare", "verdicts", "results", "evidence", "nights", "culprits", "report")
)
PROTOCOL = "harness.engines.base"


def modules(package: str) -> Iterator[tuple[str, Path]]:
    for path in sorted((ROOT / package).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


def imported(path: Path) -> set[str]:
    """The modules that a file imports anywhere in it, functions included."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} line {node.lineno}: a relative import"
            module = node.module or ""
            below = {f"{module}.{alias.name}" for alias in node.names}
            known = {name for name in below if is_module(name)}
            names |= known or {module}
            names |= {module} if known != below else set()
    return names


def is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.with_suffix(".py").is_file() or (path / "__init__.py").is_file()


def within(module: str, room: str) -> bool:
    return module == room or module.startswith(f"{room}.")


def floor_of(module: str) -> int | None:
    """The floor of a module by the longest name that covers it."""
    best = max(
        ((len(room), number) for number, rooms in enumerate(FLOORS) for room in rooms if within(module, room)),
        default=None,
    )
    return best[1] if best else None


INTERP = list(modules("interp"))
HARNESS = list(modules("harness"))


@pytest.mark.parametrize(("module", "path"), INTERP, ids=[module for module, _ in INTERP])
def test_interp_imports_the_standard_library_and_itself(module: str, path: Path) -> None:
    roots = {name.split(".")[0] for name in imported(path)}
    assert roots <= sys.stdlib_module_names | {"interp"}


@pytest.mark.parametrize(("module", "path"), HARNESS, ids=[module for module, _ in HARNESS])
def test_a_room_imports_only_from_its_own_and_lower_floors(module: str, path: Path) -> None:
    if module == "harness":
        return
    floor = floor_of(module)
    assert floor is not None, f"{module} has no floor: give it one in FLOORS"
    for name in imported(path):
        if within(name, "harness") and name != "harness":
            below = floor_of(name)
            assert below is not None and below <= floor, f"{module} imports {name} from above"


@pytest.mark.parametrize(("module", "path"), HARNESS, ids=[module for module, _ in HARNESS])
def test_what_judges_legs_knows_none(module: str, path: Path) -> None:
    if any(within(module, room) for room in JUDGES):
        engines = {name for name in imported(path) if within(name, "harness.engines")}
        assert engines <= {PROTOCOL}


def test_no_engine_imports_another() -> None:
    files = {module: path for module, path in HARNESS if within(module, "harness.engines")}
    legs = {"reference", "unicorn", "translated"}
    for module, path in files.items():
        own = module.split(".")[-1].split("_")[0]
        for name in imported(path):
            other = name.split(".")[-1].split("_")[0] if within(name, "harness.engines") else ""
            assert other not in legs - {own}, f"{module} imports {name}"


def test_the_walk_sees_imports_inside_functions_and_of_submodules() -> None:
    names = imported(ROOT / "harness" / "cli.py")
    assert "harness.check" in names  # imported inside a command
    assert "harness.report.terminal" in names


def test_every_room_of_the_floors_exists() -> None:
    missing = [room for rooms in FLOORS for room in rooms if not is_module(room)]
    assert missing == []
