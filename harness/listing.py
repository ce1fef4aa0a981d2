"""The functions of a ``tally.toml`` and the names by which a corpus knows them, without opening any leg."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from harness.config import Build, Config
from harness.errors import UsageError
from harness.program.load import load_program
from harness.program.model import Function
from harness.program.segments import Loading
from harness.workbench import excluded, selected

_LOW_WORD = 0xFFFF_FFFF


@dataclass(frozen=True, slots=True)
class Listed:
    """One function of one build; ``name`` is its own in the build, ``left_out`` why the file leaves it out, if so."""

    build: Build
    function: Function
    name: str
    left_out: str


def listed(config: Config, pattern: str = "") -> tuple[Listed, ...]:
    """The functions that the file includes and the pattern picks, build by build, by address.

    File-local functions may share a name: these have their address behind it.

    Errors: ``UsageError`` where an image cannot be read, or no build has a function that the pattern picks.
    """
    found: list[Listed] = []
    unmatched: UsageError | None = None
    for build in config.builds:
        program = load_program(build.guest, Loading.of(build))
        times = Counter(function.name for function in program.functions)
        try:
            functions = selected(program, build, pattern)
        except UsageError as error:
            unmatched = error
            continue
        for one in functions:
            name = one.name if times[one.name] == 1 else f"{one.name}@{one.address & _LOW_WORD:08x}"
            found.append(Listed(build, one, name, excluded(build, one)))
    if unmatched is not None and not found:
        raise unmatched
    return tuple(found)
