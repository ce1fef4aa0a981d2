"""Which parts of a program are in memory while a function is checked: segments share addresses with each other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

from harness.config import Build, Segment
from harness.errors import UsageError


@dataclass(frozen=True, slots=True)
class Loading:
    """The segments of a build, and those of them that are in memory: the one under test and what lies beside it."""

    where: str = ""
    segments: tuple[Segment, ...] = ()
    loaded: frozenset[str] = frozenset()

    @classmethod
    def of(cls, build: Build) -> Loading:
        """What a view of a build loads.

        Errors: ``UsageError`` for segments of one name, and for one that is to lie beside one that does not exist.
        """
        names = [segment.name for segment in build.segments]
        for number, segment in enumerate(build.segments, 1):
            where = f"{build.file} [segment] item {number}"
            if segment.name in names[: number - 1]:
                raise UsageError(f"{where} name", "used twice", got=segment.name, expected="a name of its own")
            for other in segment.beside:
                if other not in names:
                    expected = ", ".join(one for one in names if one != segment.name) or "no other segment in this file"
                    raise UsageError(f"{where} beside", "no segment has this name", got=other, expected=expected)
        chosen = [segment for segment in build.segments if segment.name == build.segment]
        beside = [name for segment in chosen for name in segment.beside]
        return cls(str(build.file), build.segments, frozenset((*(one.name for one in chosen), *beside)))

    def segments_of(self, sections: Sequence[str]) -> dict[str, str]:
        """The segment of each section of an ELF image, empty for what is always in memory.

        Errors: ``UsageError`` for a pattern without a section, and a section of two segments.
        """
        found = dict.fromkeys(sections, "")
        for number, segment in enumerate(self.segments, 1):
            where = f"{self.where} [segment] item {number} sections"
            for pattern in segment.sections:
                matching = [name for name in found if fnmatchcase(name, pattern)]
                if not matching:
                    raise UsageError(
                        where,
                        "no section matches",
                        got=f"'{pattern}'",
                        expected=f"sections such as {', '.join(list(found)[:8])}",
                        help="`readelf -S` lists them",
                    )
                for name in matching:
                    if found[name] not in ("", segment.name):
                        raise UsageError(
                            where, f"{name} belongs to two segments", got=f"{found[name]} and {segment.name}"
                        )
                    found[name] = segment.name
        return found

    def holds(self, segment: str) -> bool:
        """Whether a segment is in memory; what belongs to none always is."""
        return not segment or segment in self.loaded

    @property
    def raw(self) -> Iterable[Segment]:
        """The segments that have a raw image."""
        return (segment for segment in self.segments if segment.image is not None)


#: A program without segments.
WHOLE = Loading()
