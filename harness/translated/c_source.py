"""The sources of translated C as syntax trees: functions by their names, and a file cut down to one of them."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import tree_sitter_c
from tree_sitter import Language, Node, Parser, Tree

_LANGUAGE = Language(tree_sitter_c.language())

#: What may hold definitions: conditions of the preprocessor, ``extern "C"``, and what the grammar cannot make sense of.
_HOLDERS = (
    *("preproc_if", "preproc_ifdef", "preproc_elif", "preproc_else"),
    *("linkage_specification", "declaration_list", "ERROR"),
)


@dataclass(frozen=True, slots=True)
class CFunction:
    """One function of a C file: its definition, and the ``compound_statement`` that is its body."""

    file: CFile
    name: str
    node: Node
    body: Node


class CFile:
    """A C file and its syntax tree."""

    def __init__(self, path: Path, text: bytes) -> None:
        self.path = path
        self.text = text
        self._tree: Tree = Parser(_LANGUAGE).parse(text)
        self.root = self._tree.root_node
        self.functions: tuple[CFunction, ...] = tuple(self._functions(self.root))

    def _functions(self, holder: Node) -> Iterator[CFunction]:
        for node in holder.children:
            if node.type in _HOLDERS:
                yield from self._functions(node)
            elif node.type == "function_definition":
                name, body = _name(node), node.child_by_field_name("body")
                if name and body is not None and body.type == "compound_statement":
                    yield CFunction(self, name, node, body)

    @cached_property
    def _statics(self) -> dict[str, set[str]]:
        """For each static function and table at the top of the file, the names in its text."""
        tables = [(_name(node), node) for node in self.root.children if node.type == "declaration"]
        found = [*tables, *((one.name, one.node) for one in self.functions)]
        return {name: _words(node) for name, node in found if name and _is_static(node)}

    def _led_to(self, node: Node) -> set[str]:
        """The static functions and tables that the text of ``node`` leads to, directly or through others."""
        found: set[str] = set()
        waiting = _words(node) & self._statics.keys()
        while waiting:
            found |= waiting
            waiting = {word for name in waiting for word in self._statics[name] & self._statics.keys()} - found
        return found

    @cached_property
    def _leaders(self) -> Counter[str]:
        """How many of the other functions lead to each static one."""
        others = (one.node for one in self.functions if not _is_static(one.node))
        return Counter(name for node in others for name in self._led_to(node))

    def parts(self, function: CFunction) -> list[CFunction]:
        """``function`` and the static functions that it alone leads to, as blocks that its C was divided into."""
        own = {name for name in self._led_to(function.node) if self._leaders[name] == 1}
        return [one for one in self.functions if one == function or (one.name in own and _is_static(one.node))]

    def cuts(self, kept: CFunction, visible: Collection[str]) -> list[tuple[int, int, bytes]]:
        """The changes that leave of all functions that other files can see (``visible``) only ``kept`` a body."""
        bodies = (one.body for one in self.functions if one != kept and one.name in visible and _is_plain(one))
        return [(body.start_byte, body.end_byte, b";") for body in bodies]

    def uncovered(self, names: Collection[str]) -> list[tuple[int, int, bytes]]:
        """The changes that let other files see those functions ``names`` that are static here."""
        declarations = (node for node in self.root.children if node.type == "declaration")
        return [
            (child.start_byte, child.end_byte, b"")
            for node in (*(one.node for one in self.functions), *declarations)
            if _is_static(node) and _name(node) in names
            for child in node.children
            if child.type == "storage_class_specifier" and text_of(child) in (b"static", b"inline")
        ]

    def changed(self, changes: Iterable[tuple[int, int, bytes]]) -> bytes:
        """The text with each (start, end, new text) applied; every line that stays keeps its number and file name."""
        parts, position = [f"#line 1 {json.dumps(str(self.path), ensure_ascii=False)}\n".encode()], 0
        for start, end, text in sorted(changes):
            lost = self.text.count(b"\n", start, end) - text.count(b"\n")
            parts += [self.text[position:start], text, b"\n" * lost]
            position = end
        return b"".join([*parts, self.text[position:]])


def text_of(node: Node) -> bytes:
    """The text that ``node`` stands for."""
    return node.text or b""


def _words(node: Node) -> set[str]:
    return set(re.findall(r"[A-Za-z_]\w*", text_of(node).decode(errors="replace")))


def _is_static(node: Node) -> bool:
    return any(child.type == "storage_class_specifier" and text_of(child) == b"static" for child in node.children)


def _name(definition: Node) -> str:
    """The name that a definition defines, inside of whatever its declarator wraps round it."""
    node = definition.child_by_field_name("declarator")
    while node is not None and node.type != "identifier":
        inner = node.child_by_field_name("declarator")
        node = inner or next((one for one in node.named_children if one.type.endswith("declarator")), None)
    return text_of(node).decode(errors="replace") if node is not None else ""


def _is_plain(function: CFunction) -> bool:
    """Whether the definition without its body declares the function: not static, not inline, no K&R parameters."""
    return not any(
        child.type == "declaration" or (child.type == "storage_class_specifier" and text_of(child) != b"extern")
        for child in function.node.children
    )
