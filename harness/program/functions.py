"""From symbols to functions: one entry an address, extents that are known, names in a fixed order of preference."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import groupby

from harness.program.layout import Piece
from harness.program.model import Function

#: Which name a function keeps where several symbols have its address: a global one first, an unheard-of one last.
_PREFERENCE = {"STB_GLOBAL": 0, "STB_WEAK": 1, "STB_LOCAL": 2}


@dataclass(frozen=True, slots=True)
class Symbol:
    """A function symbol as the image states it; ``size`` in bytes, 0 where it is not stated.

    ``section`` is the one that it belongs to, empty where that is not known.
    """

    name: str
    address: int
    size: int
    binding: str = "STB_GLOBAL"
    section: str = ""


def collect_segments(
    symbols: Iterable[Symbol], pieces: Iterable[Piece], segments: Mapping[str, str]
) -> tuple[tuple[Function, ...], tuple[str, ...]]:
    """As ``collect``, each segment by itself: ``segments`` gives that of each section, empty for none.

    The functions ascend within their segment, those of none first.
    """
    functions: list[Function] = []
    notes: list[str] = []
    everything, all_pieces = list(symbols), list(pieces)
    for segment in dict.fromkeys(("", *segments.values())):
        inside = [symbol for symbol in everything if segments.get(symbol.section, "") == segment]
        found, told = collect(inside, [piece for piece in all_pieces if segments[piece.name] == segment])
        functions += (replace(function, segment=segment) for function in found) if segment else found
        notes += told
    return tuple(functions), tuple(notes)


def collect(symbols: Iterable[Symbol], pieces: Iterable[Piece]) -> tuple[tuple[Function, ...], tuple[str, ...]]:
    """Makes the list of functions; gives it and a note on each symbol that was left out or mended.

    Symbols at one address become one function with aliases and the largest of their sizes. A size that is missing,
    is no multiple of 4, or reaches past the end of its section is taken up to the next function or the section's end.
    """
    executable = sorted((piece for piece in pieces if piece.executable), key=lambda piece: piece.address)
    notes: list[str] = []
    placed: list[tuple[Symbol, Piece]] = []
    for symbol in symbols:
        piece = _holder(executable, symbol.address)
        if piece is None or symbol.address % 4:
            why = "is not in executable memory" if piece is None else "is not at a multiple of 4"
            notes.append(f"{symbol.name} at {symbol.address:016x} {why} and is left out")
        else:
            placed.append((symbol, piece))
    placed.sort(key=lambda pair: (pair[0].address, _PREFERENCE.get(pair[0].binding, 3), pair[0].name))
    starts = sorted({symbol.address for symbol, _ in placed})
    functions = []
    for address, group in groupby(placed, key=lambda pair: pair[0].address):
        same = list(group)
        names = tuple(dict.fromkeys(symbol.name for symbol, _ in same))
        stated = max(symbol.size for symbol, _ in same)
        limit = same[0][1].end - address
        if stated and stated % 4 == 0 and stated <= limit:
            functions.append(Function(names[0], address, stated, aliases=names[1:]))
            continue
        size = _up_to_next(starts, address, limit)
        notes.append(f"{names[0]} at {address:016x} states a size of {stated} bytes; {size} are taken")
        functions.append(Function(names[0], address, size, size_stated=False, aliases=names[1:]))
    return tuple(functions), tuple(notes)


def _holder(pieces: list[Piece], address: int) -> Piece | None:
    return next((piece for piece in pieces if piece.address <= address <= piece.end - 4), None)


def _up_to_next(starts: list[int], address: int, limit: int) -> int:
    """Gives the bytes from ``address`` to the next start, at most ``limit`` rounded down to whole instructions."""
    index = bisect_right(starts, address)
    gap = starts[index] - address if index < len(starts) else limit
    return min(gap, limit) // 4 * 4
