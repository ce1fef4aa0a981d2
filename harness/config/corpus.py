"""``corpus.toml``: the programs that are checked every night, and the gaps that are accepted in them."""

from __future__ import annotations

from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Annotated

from pydantic import Field, field_validator
from pydantic_core import PydanticCustomError

from harness.config.loading import load_tables, read_toml
from harness.config.models import MAX_STATES
from harness.config.values import LocalPath, Table
from harness.errors import UsageError


class Gap(Table):
    """Functions of which a night need not say anything definite."""

    pattern: str = Field(min_length=1, description="Shell pattern of function names.", examples=["boot_*"])
    build: str = Field(default="*", min_length=1, description="Shell pattern of the names of builds.")
    reason: str = Field(
        min_length=1, description="Why it is accepted; shown in every report.", examples=["waits for a device"]
    )

    def covers(self, build: str, function: str) -> bool:
        """Whether it is about this function of this build."""
        return fnmatchcase(function, self.pattern) and fnmatchcase(build, self.build)


class CorpusProgram(Table):
    """One program: its ``tally.toml``, and what a night does with it."""

    name: str = Field(pattern=r"^[\w.+-]+$", description="Name in reports and in the history.", examples=["harbour"])
    config: LocalPath = Field(description="Its tally.toml.", examples=["harbour/tally.toml"])
    tags: tuple[Annotated[str, Field(pattern=r"^[A-Za-z_]\w*$")], ...] = Field(
        default=(), description="Words by which programs are picked.", examples=[["quick"]]
    )
    states: int | None = Field(
        default=None, ge=1, le=MAX_STATES, description="States for each function; absent: as its tally.toml says."
    )
    accept: tuple[Gap, ...] = Field(
        default=(), description="Functions for which inconclusive or not-run will do, each with its reason."
    )

    def accepted(self, build: str, function: str) -> str:
        """Why nothing definite need be said of a function; empty where it must."""
        return next((gap.reason for gap in self.accept if gap.covers(build, function)), "")


class Nightly(Table):
    """Where a night keeps what it knows, and how patient it is."""

    history: LocalPath | None = Field(
        default=None,
        description="The history, a file on a disk of this machine; absent: .tallystick/history.sqlite here.",
    )
    known: LocalPath | None = Field(
        default=None, description="The findings that are tolerated; absent: known.toml here, if it is there."
    )
    ready_after: int = Field(
        default=7,
        ge=1,
        le=1000,
        description="Nights without a difference after which a known finding is ready to be removed, and a flaky one "
        "counts as fixed.",
    )


class CorpusTables(Table):
    """The whole file."""

    nightly: Nightly = Field(description="Where a night keeps what it knows, and how patient it is.")
    program: tuple[CorpusProgram, ...] = Field(min_length=1, description="The programs.")

    @field_validator("program")
    @classmethod
    def _have_names_of_their_own(cls, programs: tuple[CorpusProgram, ...]) -> tuple[CorpusProgram, ...]:
        names = [program.name for program in programs]
        for number, name in enumerate(names):
            if name in names[:number]:
                expected = "a name of its own for each program"
                raise PydanticCustomError("outside", "uses a name twice", {"got": repr(name), "expected": expected})
        return programs


@dataclass(frozen=True, slots=True)
class Corpus:
    """A corpus, opened."""

    file: Path
    nightly: Nightly
    programs: tuple[CorpusProgram, ...]

    @property
    def history(self) -> Path:
        """The file of the history."""
        return self.nightly.history or self.file.parent / ".tallystick" / "history.sqlite"

    @property
    def known(self) -> Path:
        """The file of the known findings, which need not be there."""
        return self.nightly.known or self.file.parent / "known.toml"

    def tagged(self, tag: str) -> tuple[CorpusProgram, ...]:
        """All programs, or those with a tag.

        Errors: ``UsageError`` for a tag that none has.
        """
        if not tag:
            return self.programs
        found = tuple(program for program in self.programs if tag in program.tags)
        if not found:
            known = ", ".join(sorted({tag for program in self.programs for tag in program.tags}))
            raise UsageError(str(self.file), "no program has this tag", got=f"'{tag}'", expected=known or "no tag")
        return found


def is_corpus(tables: object) -> bool:
    """Whether the tables of a file, as they stand there, are those of a corpus."""
    return isinstance(tables, dict) and "program" in tables


def load_corpus(path: Path) -> Corpus:
    """The corpus in the file at ``path``; a ``tally.toml`` is a corpus of one program.

    Errors: ``UsageError`` for a file that cannot be read, is not TOML, or has a key or value that does not fit.
    """
    raw = read_toml(path, "corpus.toml")
    if not is_corpus(raw) and ("guest" in raw or "build" in raw):
        name = path.stem if path.stem != "tally" else path.resolve().parent.name
        raw = {"program": [{"name": name, "config": path.name}]}
    tables = load_tables(CorpusTables, path, {"nightly": {}, **raw})
    return Corpus(path, tables.nightly, tables.program)
