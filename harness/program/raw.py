"""Reads a raw image and a function list into a ``Program``.

The function list is text: one function a line, ``address size name``, numbers in hexadecimal with or without ``0x``
(``80001040 5c crc32_step``). Empty lines and what follows ``#`` do not count.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from harness.config import Segment
from harness.errors import UsageError
from harness.program.files import read_image, read_text
from harness.program.layout import Piece, lay_out, sign_extended
from harness.program.model import Function, Program
from harness.program.segments import WHOLE, Loading

#: Bytes between two functions that still count as padding of the code rather than as data.
_PADDING = 16

_HELP = "a line is `address size name`, as in `80001040 5c crc32_step`"


def load_raw(path: Path, base: int, functions: Path, loading: Loading = WHOLE) -> Program:
    """Reads an image that is loaded at ``base`` as it is, and the segments that are in memory beside it.

    Code and data cannot be told apart except by the list: what functions cover may be executed and not written, what
    lies between may be written. There is no zeroed memory after the image, and ``gp`` is 0.

    Errors: ``UsageError`` for either file missing or unreadable, an empty image, and a list with a bad line, without
    functions, or with functions outside the image.
    """
    pieces, listed = _read(path, base, functions)
    elsewhere: tuple[Function, ...] = ()
    entry = listed[0].address
    for segment in loading.segments:
        more, others = raw_segment(segment)
        if loading.holds(segment.name):
            pieces += more
            listed += others
        else:
            elsewhere += others
    regions, code = lay_out(path, pieces)
    ordered = tuple(sorted(listed, key=lambda function: function.address))
    return Program(path, regions, code, ordered, gp=0, entry=entry, elsewhere=elsewhere)


def raw_segment(segment: Segment) -> tuple[list[Piece], tuple[Function, ...]]:
    """The pieces and functions of a segment that has a raw image.

    Errors: ``UsageError`` as ``load_raw``, and for a segment that has none.
    """
    if segment.image is None or segment.base is None or segment.functions is None:
        raise UsageError(
            f"segment {segment.name}",
            "names sections, and the image is none with sections",
            expected="image, base and functions of its own",
        )
    pieces, functions = _read(segment.image, segment.base, segment.functions)
    named = [replace(piece, name=f"{segment.name} {piece.name}") for piece in pieces]
    return named, tuple(replace(function, segment=segment.name) for function in functions)


def _read(path: Path, base: int, functions: Path) -> tuple[list[Piece], tuple[Function, ...]]:
    """One raw image with its list."""
    image = read_image(path)
    base = sign_extended(base)
    if not image:
        raise UsageError(str(path), "is empty", expected="the bytes of a program", help="check `image` in [guest]")
    listed = read_functions(functions, base, base + len(image))
    return list(_pieces(image, base, listed)), listed


def read_functions(path: Path, low: int, high: int) -> tuple[Function, ...]:
    """Reads a function list; all of it must lie in ``low`` to ``high``, the first address after the image.

    Errors: ``UsageError`` as ``load_raw``; a bad line is named by its number.
    """
    functions: dict[int, Function] = {}
    for number, line in enumerate(read_text(path).splitlines(), start=1):
        fields = line.partition("#")[0].split()
        if not fields:
            continue
        function = _function(f"{path} line {number}", fields, low, high)
        if function.address in functions:
            first = functions[function.address].name
            raise UsageError(
                f"{path} line {number}",
                "two functions have one address",
                got=f"{function.name} and {first} at {function.address:016x}",
                expected="one line for each address",
                help="remove one of the two lines",
            )
        functions[function.address] = function
    if not functions:
        raise UsageError(str(path), "lists no function", expected="at least one line", help=_HELP)
    return tuple(functions[address] for address in sorted(functions))


def _function(where: str, fields: list[str], low: int, high: int) -> Function:
    if len(fields) != 3:
        raise UsageError(where, "has the wrong number of fields", got=str(len(fields)), expected="3", help=_HELP)
    address = sign_extended(_number(where, "address", fields[0]))
    size = _number(where, "size", fields[1])
    if address % 4 or size % 4 or not size:
        what = "address is" if address % 4 else "size is"
        raise UsageError(
            where,
            f"{what} not a positive multiple of 4",
            got=f"{address:016x}" if address % 4 else f"{size:#x} bytes",
            expected="whole instructions",
            help="MIPS III instructions are 4 bytes; give the size up to the end of the last delay slot",
        )
    if address < low or address + size > high:
        raise UsageError(
            where,
            "function is outside the image",
            got=f"{address:016x}-{address + size - 1:016x}",
            expected=f"addresses in {low:016x}-{high - 1:016x}",
            help="check `base` in [guest] and the list",
        )
    return Function(fields[2], address, size)


def _number(where: str, what: str, text: str) -> int:
    try:
        return int(text, 16)
    except ValueError:
        raise UsageError(
            where, f"{what} is not a number", got=f"'{text}'", expected="hexadecimal", help=_HELP
        ) from None


def _pieces(image: bytes, base: int, functions: tuple[Function, ...]) -> Iterator[Piece]:
    """Cuts the image into runs of code and what lies between them."""
    end = base + len(image)
    done = base
    for start, stop in _code_runs(functions):
        if start > done:
            yield Piece(done, start - done, image[done - base : start - base], True, False, "data")
        yield Piece(start, stop - start, image[start - base : stop - base], False, True, "code")
        done = stop
    if done < end:
        yield Piece(done, end - done, image[done - base :], True, False, "data")


def _code_runs(functions: tuple[Function, ...]) -> Iterator[tuple[int, int]]:
    """Yields (start, end) of runs of functions with nothing but padding between them."""
    start, stop = functions[0].address, functions[0].end
    for function in functions[1:]:
        if function.address > stop + _PADDING:
            yield start, stop
            start = function.address
        stop = max(stop, function.end)
    yield start, stop
