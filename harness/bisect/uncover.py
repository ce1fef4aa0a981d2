"""A copy of the C in which every function of the guest can be seen, so that its calls can be followed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from harness.config import Build, Translated
from harness.program.model import Function
from harness.translated.binding import function_name
from harness.translated.build import matching
from harness.translated.c_source import CFile
from harness.translated.cache import digest, is_kept, keep


def uncovered(build: Build, translated: Translated, functions: Iterable[Function]) -> Build | None:
    """The build with copies of the files in which some of ``functions`` are static; None where none is.

    A compiler may have made one of a static function and its callers: as they are now it cannot, and a fault that came
    of that may be gone. What a header declares static stays so.
    """
    names = {function_name(translated.binding, one.name, one.address, one.segment) for one in functions}
    sources = matching(translated.sources, build.folder, f"{build.file} [translated] sources")
    files = [_copied(path, names, build.folder / ".tallystick" / "build") for path in sources]
    if files == sources:
        return None
    include = [*translated.include, *dict.fromkeys(path.parent for path in sources)]
    changed = translated.model_copy(update={"sources": tuple(map(str, files)), "include": tuple(include)})
    return replace(build, translated=changed)


def _copied(path: Path, names: set[str], store: Path) -> Path:
    """The file itself where there is nothing to change in it."""
    source = CFile(path, path.read_bytes())
    changes = source.uncovered(names)
    if not changes:
        return path
    text = source.changed(changes)
    copy = (store / f"uncovered-{digest(text)[:32]}.c").resolve()
    if not is_kept(copy):
        partial = copy.with_suffix(".partial")
        partial.write_bytes(text)
        keep(partial, copy)
    return copy
