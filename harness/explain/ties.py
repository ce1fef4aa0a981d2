"""Ties between lines of the translated C and guest addresses: where they stand, and what is visible there.

A tie is a ``#line`` directive into a listing whose line begins with a guest address, or a guest address in a comment,
a label or a case. Nothing is taken for an address that is no instruction of the guest function at hand. A directive
ties the one line behind it: compilers count on from there, but those who write directives repeat them.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from tree_sitter import Node

from harness.translated.c_source import CFile, CFunction, text_of
from harness.translated.shared import ffi

#: More variables than these are not looked at.
MOST_VARIABLES = int(dict(ffi.typeof("struct tally_exchange").fields)["seen"].type.length)

_DIRECTIVE = re.compile(rb'[ \t]*#[ \t]*(?:line[ \t]+)?(\d+)[ \t]+"([^"]+)"')
_ADDRESS = re.compile(r"(?<![0-9A-Za-z])(?:0[xX]|\w*_)?([0-9A-Fa-f]{8})(?:[uUlL]*)(?![0-9A-Za-z])")
_LEADING = re.compile(r"\s*(?:0[xX])?([0-9A-Fa-f]{8,16})\b")

#: Statements that hold others, which may be tied themselves.
_HOLDERS = (
    *("compound_statement", "case_statement", "labeled_statement", "if_statement", "else_clause"),
    *("for_statement", "while_statement", "do_statement", "switch_statement"),
)
#: Initial values that take no computing.
_PLAIN_VALUES = ("identifier", "field_expression", "subscript_expression", "number_literal", "cast_expression")
#: Where a statement may be put before another one.
_ROOMY = ("compound_statement", "case_statement", "labeled_statement")


@dataclass(frozen=True, slots=True)
class Tie:
    """A statement of the C that begins what stands for the instruction at ``address`` (unsigned, 64 bits).

    ``offset`` is where in the file the statement begins, ``row`` its line from 0; ``variables`` are visible there.
    """

    address: int
    offset: int
    row: int
    variables: tuple[str, ...]


def ties_of(function: CFunction, parts: Sequence[CFunction], holds: Callable[[int], bool]) -> list[Tie]:
    """The ties of ``function``, whose C is in ``parts``; ``holds`` says what is an address of its instructions."""
    return [tie for part in parts for tie in _Walk(part, function, holds).ties()]


class _Walk:
    """One pass over the statements of a function."""

    def __init__(self, part: CFunction, function: CFunction, holds: Callable[[int], bool]) -> None:
        self._part = part
        self._function = function
        self._holds = holds
        self._rows = _tied_rows(part, self._address_in)

    def ties(self) -> Iterator[Tie]:
        label = self._address_in(self._part.name) if self._part != self._function else None  # a block of its own
        yield from self._statements(self._part.body, list(_parameters(self._part.node)), label)

    def _statements(
        self, holder: Node, visible: list[str], label: int | None, last: tuple[int, int] | None = None
    ) -> Iterator[Tie]:
        """The ties inside of ``holder``; what it declares is visible behind its declaration.

        What a ``label`` names begins behind declarations that only fetch values. ``last`` are the address and the line
        of the tie before: what else stands there belongs to it.
        """
        inner = list(visible)
        for node in _parts_of(holder):
            row = node.start_point[0]
            names = _declared(node) if node.type == "declaration" else []
            address, inside = self._rows.get(row), None
            if node.type in _ROOMY:
                address, inside, label = None, self._labelled(node) or label, None
            elif not (names and _fetches(node)):
                address, label = address or label, None
            if address is not None and holder.type in _ROOMY and last != (address, row):
                yield Tie(address, node.start_byte, row, tuple(dict.fromkeys(inner))[-MOST_VARIABLES:])
                last = address, row
            inner += names
            if node.type in _HOLDERS:
                yield from self._statements(node, inner, inside, last)

    def _labelled(self, node: Node) -> int | None:
        """The address that a label or a case names."""
        field = {"labeled_statement": "label", "case_statement": "value"}.get(node.type)
        named = node.child_by_field_name(field) if field else None
        return self._address_in(text_of(named).decode(errors="replace")) if named is not None else None

    def _address_in(self, text: str) -> int | None:
        for found in _ADDRESS.finditer(text):
            address = extended(int(found[1], 16))
            if self._holds(address):
                return address
        return None


def extended(address: int) -> int:
    """A 32-bit guest address as an unsigned one of 64 bits."""
    address &= 0xFFFF_FFFF
    return address | 0xFFFF_FFFF_0000_0000 if address & 0x8000_0000 else address


def _parts_of(holder: Node) -> list[Node]:
    """The statements directly inside of ``holder``."""
    skipped = {"label": "labeled_statement", "value": "case_statement"}
    named = {holder.child_by_field_name(name) for name, kind in skipped.items() if holder.type == kind}
    return [one for one in holder.named_children if one.type not in ("comment", "preproc_call") and one not in named]


def _tied_rows(part: CFunction, address_in: Callable[[str], int | None]) -> dict[int, int]:
    """Rows of the file that directives or comments tie."""
    rows: dict[int, int] = {}
    above: dict[int, int] = {}  # by a comment on a line of its own
    lines = part.file.text.split(b"\n")
    first, last = part.node.start_point[0], part.node.end_point[0]
    for comment in _comments(part.node):
        address = address_in(text_of(comment).decode(errors="replace"))
        if address is None:
            continue
        row, end = comment.start_point[0], comment.end_point
        before = lines[row][: comment.start_point[1]].strip()
        after = lines[end[0]][end[1] :].strip()
        if before or after:
            rows[row] = address
        else:
            above.setdefault(_next_row(lines, end[0] + 1), address)
    for row in range(max(first - 1, 0), last):
        found = _DIRECTIVE.match(lines[row])
        if found:
            listing = part.file.path.parent / found[2].decode(errors="replace")
            address = listed(listing).get(int(found[1]))
            if address is not None:
                text = f"{address & 0xFFFF_FFFF:08x}"
                tied = address_in(text)
                if tied is not None:
                    rows[row + 1] = tied
    return {**above, **rows}


def _next_row(lines: list[bytes], row: int) -> int:
    """The next row that is not blank and no directive."""
    while row < len(lines) and (not lines[row].strip() or lines[row].lstrip().startswith(b"#")):
        row += 1
    return row


@lru_cache(maxsize=64)
def listed(path: Path) -> dict[int, int]:
    """The guest addresses with which lines of a listing begin, by line from 1; empty for a file that is not there."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return {}
    found = ((number, _LEADING.match(line)) for number, line in enumerate(text.splitlines(), 1))
    return {number: int(match[1], 16) for number, match in found if match}


def _comments(node: Node) -> Iterator[Node]:
    """The comments inside of ``node``, wherever statements may stand."""
    for child in node.named_children:
        if child.type == "comment":
            yield child
        elif child.type in _HOLDERS or child.type == "function_definition":
            yield from _comments(child)


def _parameters(definition: Node) -> Iterator[str]:
    """The names of the parameters that hold plain values."""
    node = definition.child_by_field_name("declarator")
    while node is not None and node.type != "function_declarator":
        node = node.child_by_field_name("declarator")
    parameters = node.child_by_field_name("parameters") if node is not None else None
    for one in parameters.named_children if parameters is not None else ():
        name = one.child_by_field_name("declarator")
        if name is not None and name.type == "identifier":
            yield text_of(name).decode()


def _declared(declaration: Node) -> list[str]:
    """The plain variables of a declaration: no pointers, arrays or functions."""
    names = []
    for one in declaration.children_by_field_name("declarator"):
        name = one.child_by_field_name("declarator") if one.type == "init_declarator" else one
        if name is not None and name.type == "identifier":
            names.append(text_of(name).decode())
    return names


def _fetches(declaration: Node) -> bool:
    """Whether a declaration computes nothing: it leaves its variables without a value, or copies what is somewhere."""
    values = [one.child_by_field_name("value") for one in declaration.children_by_field_name("declarator")]
    return all(value is None or value.type in _PLAIN_VALUES for value in values)


def file_of(name: str, paths: Sequence[Path], known: dict[Path, CFile]) -> CFunction | None:
    """The definition of the C function ``name`` in the files at ``paths``; files that were parsed are in ``known``."""
    for path in paths:
        if path not in known:
            text = path.read_bytes()
            if name.encode() not in text:
                continue
            known[path] = CFile(path, text)
        for function in known[path].functions:
            if function.name == name:
                return function
    return None
