"""A guest program as the harness sees it: page-aligned regions of memory and a list of functions."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from difflib import get_close_matches
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Protocol

from harness.engines.base import Region, Target
from harness.engines.outside import Outside
from harness.errors import UsageError

#: What of an address stays where kseg1 is seen in kseg0.
_CACHED = 0xFFFF_FFFF_9FFF_FFFF


@dataclass(frozen=True, slots=True)
class Function:
    """One guest function.

    Units: ``size`` in bytes, a multiple of 4. ``size_stated`` is false where the image gives no usable size and the
    extent was taken up to the next function or the end of the section. ``aliases`` are further names of the same
    address. ``segment`` is the one that it is loaded with, empty for what is always in memory.
    """

    name: str
    address: int
    size: int
    size_stated: bool = True
    aliases: tuple[str, ...] = ()
    segment: str = ""

    @property
    def end(self) -> int:
        """First address after the function."""
        return self.address + self.size


class Around(Protocol):
    """What lies outside of a program."""

    def for_function(self, function: Function) -> Outside | None:
        """What is outside while ``function`` is under test; None where nothing is."""

    def for_search(self) -> Outside | None:
        """What is outside of the whole program: no function of it, whatever becomes of calls in a check."""


@dataclass(frozen=True)
class Program:
    """An image, loaded.

    ``regions`` are all pages of the image, ascending and apart; ``code`` are those of them that may be executed (the
    same objects), read-only unless code shares a page with writable data. ``functions`` ascend by address; two
    functions may have one name (file-local ones do). ``gp`` is what r28 holds while the program runs, 0 where the
    image does not say. ``notes`` tell what was left out of the image's list of functions, or mended in it. ``beyond``
    are functions that the image names and does not hold; their size is 0. ``around`` is what lies outside, None where
    nothing does. ``elsewhere`` are the functions of segments that are not in memory.
    """

    path: Path
    regions: tuple[Region, ...]
    code: tuple[Region, ...]
    functions: tuple[Function, ...]
    gp: int
    entry: int
    notes: tuple[str, ...] = ()
    beyond: tuple[Function, ...] = ()
    around: Around | None = field(default=None, compare=False)
    elsewhere: tuple[Function, ...] = ()
    _starts: tuple[int, ...] = field(init=False, repr=False, compare=False)
    _names: dict[int, str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_starts", tuple(function.address for function in self.functions))
        object.__setattr__(self, "_names", {function.address: function.name for function in self.functions})

    def function_at(self, address: int) -> Function | None:
        """Gives the function whose extent holds ``address``; where extents overlap, the one that starts last."""
        index = bisect_right(self._starts, address) - 1
        if index < 0 or address >= self.functions[index].end:
            return None
        return self.functions[index]

    def find(self, pattern: str) -> tuple[Function, ...]:
        """Gives the functions with a name or alias that matches a shell pattern (``*``, ``?``, ``[...]``).

        Errors: ``UsageError`` where nothing matches; it offers names that look alike.
        """
        found = tuple(function for function in self.functions if _matches(function, pattern))
        if found:
            return found
        names = [name for function in self.functions for name in (function.name, *function.aliases)]
        close = get_close_matches(pattern.strip("*"), names, n=3)
        raise UsageError(
            str(self.path),
            "no function matches the pattern",
            got=f"'{pattern}'",
            expected=f"a name among {len(self.functions)} functions, or a pattern with * or ?",
            help=f"did you mean {' or '.join(close)}?" if close else "`tallystick survey` lists the functions",
        )

    def words(self, function: Function) -> Iterator[tuple[int, int]]:
        """Yields (address, instruction word) over the function's extent."""
        region = self.region_at(function.address)
        start = function.address - region.address
        for offset in range(start, start + function.size, 4):
            yield region.address + offset, int.from_bytes(region.data[offset : offset + 4], "big")

    def region_at(self, address: int) -> Region:
        """Gives the region that holds ``address``, which must be in the image."""
        return next(region for region in self.regions if region.address <= address < region.end)

    def taken(self) -> Iterator[tuple[int, int]]:
        """Yields the (first address, end) of what has its place: the image, boundaries and devices, seen in kseg0."""
        yield from ((region.address, region.end) for region in self.regions)
        outside = self.around.for_search() if self.around is not None else None
        if outside is not None:
            yield from ((address & _CACHED, (address & _CACHED) + 4) for address in outside.boundaries)
            yield from ((one.address & _CACHED, (one.address & _CACHED) + one.size) for one in outside.windows)

    def target(self, function: Function, fr: bool) -> Target:
        """Makes what an engine loads in order to call ``function``."""
        outside = self.around.for_function(function) if self.around is not None else None
        return Target(function.name, function.address, function.size, self.code, fr, self._names, outside)


def _matches(function: Function, pattern: str) -> bool:
    return any(fnmatchcase(name, pattern) for name in (function.name, *function.aliases))
