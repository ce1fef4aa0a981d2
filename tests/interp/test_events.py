"""Every event id that the interpreter uses is declared with its meaning, and every declared one is used."""

from __future__ import annotations

import ast
from pathlib import Path

import interp
from interp.events import OPENS, TRAPS, WARNINGS

SOURCES = [path for path in Path(interp.__file__).parent.glob("*.py") if path.name != "events.py"]
#: Memory puts these together: f"address-error-{access}", f"tlb-{access}".
BUILT = {f"{stem}-{access}" for stem in ("address-error", "tlb") for access in ("load", "store", "fetch")}


def literals() -> set[str]:
    nodes = [node for path in SOURCES for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))]
    return {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def ids_of_calls(function: str) -> set[str]:
    """The literal first arguments of the calls of a function."""
    found = set()
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == function:
                found |= {arg.value for arg in node.args[:1] if isinstance(arg, ast.Constant)}
    return found


def test_every_id_that_is_used_is_declared() -> None:
    assert ids_of_calls("open_") | ids_of_calls("_pooled") <= set(OPENS) | set(WARNINGS)
    assert ids_of_calls("trap") | ids_of_calls("GuestTrap") <= set(TRAPS)


def test_every_declared_id_is_used() -> None:
    assert (set(TRAPS) | set(OPENS) | set(WARNINGS)) - literals() - BUILT == set()


def test_every_event_names_its_source() -> None:
    for kind, meaning in {**TRAPS, **OPENS, **WARNINGS}.items():
        assert any(word in meaning for word in ("R4K", "V41", "R10K", "V43", "V5K", "design choice")), kind
