"""Several builds of one program in one file: each ``[[build]]`` is laid over the tables of the file."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from harness.config.hints import FunctionHints
from harness.config.models import Check, Guest, Tables, Translated, Translator
from harness.config.outside import External, Segment, Window


@dataclass(frozen=True, slots=True)
class Build:
    """One program with one translation of it; ``name`` is empty where the file has no ``[[build]]``.

    ``segment`` is the one that is loaded, empty where none of ``segments`` is.
    """

    name: str
    file: Path
    guest: Guest
    translator: Translator | None
    translated: Translated | None
    check: Check
    externals: tuple[External, ...] = ()
    windows: tuple[Window, ...] = ()
    segments: tuple[Segment, ...] = ()
    segment: str = ""
    functions: tuple[FunctionHints, ...] = ()

    @property
    def folder(self) -> Path:
        """The folder of the file, from which its patterns and commands are seen."""
        return self.file.parent

    @classmethod
    def of(cls, name: str, file: Path, tables: Tables) -> Build:
        """The build that validated ``tables`` describe."""
        return cls(
            name,
            file,
            tables.guest,
            tables.translator,
            tables.translated,
            tables.check,
            tables.external,
            tables.window,
            tables.segment,
            functions=tables.function,
        )

    def views(self) -> tuple[Build, ...]:
        """This build without any segment, and with each of them loaded in turn, named after it."""
        loaded = (
            replace(self, name=f"{self.name}+{one.name}" if self.name else one.name, segment=one.name)
            for one in self.segments
        )
        return (self, *loaded)


@dataclass(frozen=True, slots=True)
class Config:
    """One ``tally.toml``; at least one build."""

    file: Path
    builds: tuple[Build, ...]


def overlay(below: dict[str, Any], above: dict[str, Any]) -> dict[str, Any]:
    """``above`` laid over ``below``: tables are merged key by key, anything else is replaced whole."""
    merged = dict(below)
    for key, value in above.items():
        old = merged.get(key)
        merged[key] = overlay(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return merged
