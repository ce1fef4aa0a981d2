"""``known.toml``: the findings that are tolerated, each with a reason, an owner and a date."""

from __future__ import annotations

import datetime
import os
import re
from fnmatch import fnmatchcase
from itertools import pairwise
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from harness.config.loading import load_tables, read_toml
from harness.config.values import Table
from harness.errors import UsageError

#: The keys that are shell patterns of the parts of a finding.
PATTERNS = ("program", "build", "function", "compiler", "kind", "place")

_HEADING = re.compile(r"\s*\[\[\s*known\s*\]\]\s*(?:#.*)?")


class Known(Table):
    """One known finding, or all that its patterns match."""

    program: str = Field(default="*", min_length=1, description="Shell pattern of the program's name.")
    build: str = Field(default="*", description="Shell pattern of the build's name.")
    function: str = Field(default="*", min_length=1, description="Shell pattern of the function's name.")
    compiler: str = Field(default="*", description="Shell pattern of the compiler's command.")
    kind: str = Field(default="*", min_length=1, description="Shell pattern of the kind, such as register or memory.")
    place: str = Field(default="*", description="Shell pattern of the place, as reports give it.")
    case: str = Field(default="", description="Name of a saved case: the finding that it shows, and no other.")
    reason: str = Field(min_length=1, description="Why it is tolerated; shown in every report.")
    owner: str = Field(min_length=1, description="Who sees to it.")
    date: datetime.date = Field(description="Since when.")
    expires: datetime.date | None = Field(
        default=None, description="Last day on which it is tolerated; absent: until it is removed."
    )

    @model_validator(mode="after")
    def _says_which(self) -> Self:
        if not self.case and self.function == "*":
            raise PydanticCustomError(
                "outside",
                "says of no finding that it is known",
                {"got": "neither function nor case", "expected": "function or case"},
            )
        return self

    def is_expired(self, on: datetime.date) -> bool:
        """Whether it tolerates nothing any more."""
        return self.expires is not None and on > self.expires

    def covers(self, parts: dict[str, str], cases: frozenset[str]) -> bool:
        """Whether it is about the finding of these parts, which these saved cases show."""
        if self.case and self.case.removesuffix(".json") not in cases:
            return False
        return all(_matches(parts[key], getattr(self, key)) for key in PATTERNS)

    def is_about(self, program: str, build: str, function: str) -> bool:
        """Whether its patterns match a function."""
        pairs = ((program, self.program), (build, self.build), (function, self.function))
        return all(_matches(text, pattern) for text, pattern in pairs)

    def describe(self) -> str:
        """Which findings it is about, in words."""
        named = [f"{key} {getattr(self, key)}" for key in (*PATTERNS, "case") if getattr(self, key) not in ("*", "")]
        return ", ".join(named)

    def why(self) -> str:
        """Why, by whom, since and until when."""
        until = f", until {self.expires}" if self.expires else ""
        return f"{self.reason} ({self.owner}, since {self.date}{until})"


def _matches(text: str, pattern: str) -> bool:
    """Whether a text matches, or is the pattern itself: places and compilers may hold brackets."""
    return text == pattern or fnmatchcase(text, pattern)


class _KnownTables(Table):
    known: tuple[Known, ...] = Field(default=(), description="The known findings.")


def load_known(path: Path) -> tuple[Known, ...]:
    """The known findings in the file at ``path``; none where there is no file.

    Errors: ``UsageError`` for a file that cannot be read, is not TOML, or has a key or value that does not fit.
    """
    if not path.exists():
        return ()
    return load_tables(_KnownTables, path, read_toml(path, "known.toml")).known


def prune_known(path: Path, gone: frozenset[int]) -> None:
    """Takes the entries of these numbers, from 0, out of the file, each with the comment right above it.

    The rest stays as it stands, byte for byte. Errors: ``UsageError`` where the file is written in a way that does not
    show where an entry begins and ends, or cannot be written.
    """
    before = load_known(path)
    lines = path.read_bytes().decode().splitlines(keepends=True)  # line ends stay as they are
    starts = [_with_comment(lines, at) for at, line in enumerate(lines) if _HEADING.fullmatch(line.rstrip("\r\n"))]
    entries = [lines[start:end] for start, end in pairwise([*starts, len(lines)])]
    kept = [*lines[: starts[0] if starts else None]]
    for number, entry in enumerate(entries):
        if number not in gone:
            kept += entry
    wanted = tuple(entry for number, entry in enumerate(before) if number not in gone)
    made = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with made.open("w", encoding="utf-8", newline="") as file:
            file.writelines(kept)
            file.flush()
            os.fsync(file.fileno())
        if len(entries) != len(before) or load_known(made) != wanted:
            raise UsageError(
                str(path),
                "cannot be pruned",
                got="no heading of its own for each entry",
                expected="a line [[known]] before each",
                help="remove the entries by hand",
            )
        made.replace(path)
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None
    finally:
        made.unlink(missing_ok=True)


def _with_comment(lines: list[str], heading: int) -> int:
    """The line where an entry begins: its heading, or the comment right above."""
    first = heading
    while first and lines[first - 1].lstrip().startswith("#"):
        first -= 1
    return first
