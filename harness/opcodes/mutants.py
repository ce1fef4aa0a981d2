"""Mutants of a C function: its body with one small change, as a translator or its author may get it wrong.

The syntax tree is that of the file as it stands, before the preprocessor: macros stay words, and what the tree cannot
make sense of is passed over. Whether a mutant is C at all, the compiler says.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Iterator
from enum import StrEnum
from typing import NamedTuple

from tree_sitter import Node

from harness.translated.c_source import CFunction, text_of


class Operator(StrEnum):
    """The kinds of changes."""

    ARITHMETIC = "arithmetic"
    LOGIC = "logic"
    SHIFT = "shift"
    COMPARISON = "comparison"
    CONSTANT = "constant"
    WIDTH = "width"
    ORDER = "order"
    DROPPED = "dropped statement"
    NEGATED = "negated condition"


class Mutant(NamedTuple):
    """The bytes of the file from ``start`` to ``end`` replaced by ``text``."""

    operator: Operator
    start: int
    end: int
    text: bytes


#: What each operator of C becomes; compound assignments follow the operator that they hold.
_BINARY: dict[str, tuple[Operator, tuple[str, ...]]] = {
    **{old: (Operator.ARITHMETIC, (new,)) for old, new in (("+", "-"), ("-", "+"), ("*", "+"), ("/", "*"), ("%", "/"))},
    **{old: (Operator.LOGIC, (new,)) for old, new in (("&", "|"), ("|", "&"), ("^", "|"), ("&&", "||"), ("||", "&&"))},
    **{old: (Operator.SHIFT, (new,)) for old, new in (("<<", ">>"), (">>", "<<"))},
    **{old: (Operator.COMPARISON, new) for old, new in (("<", ("<=", ">=")), ("<=", ("<", ">")))},
    **{old: (Operator.COMPARISON, new) for old, new in ((">", (">=", "<=")), (">=", (">", "<")))},
    **{old: (Operator.COMPARISON, (new,)) for old, new in (("==", "!="), ("!=", "=="))},
}
_OTHER: dict[str, tuple[Operator, tuple[str, ...]]] = {
    "++": (Operator.ARITHMETIC, ("--",)),
    "--": (Operator.ARITHMETIC, ("++",)),
    "-": (Operator.ARITHMETIC, ("+",)),
    "~": (Operator.LOGIC, ("+",)),
    "!": (Operator.NEGATED, ("!!",)),
}

_INTEGER = re.compile(rb"([-+]?)(0[xX][0-9a-fA-F]+|0[bB][01]+|[0-9]+)([uUlL]*)")

#: Integer types by sign and width, as <stdint.h> and those who find its names too long spell them.
_SIZED = re.compile(rb"(u?int|[us])(8|16|32|64)(_t)?")
_OTHER_SIGN = {b"int": b"uint", b"uint": b"int", b"s": b"u", b"u": b"s"}
_OTHER_WIDTH = {b"64": b"32", b"32": b"64", b"16": b"8", b"8": b"16"}
_PLAIN = {b"int": b"unsigned", b"unsigned": b"int", b"unsigned int": b"int"}

#: Macros that make a constant of their argument, which is no operand.
_CONSTANT_MACRO = re.compile(rb"U?INT(\d+|MAX)_C")

#: Statements that go elsewhere.
_JUMPS = ("break_statement", "continue_statement", "goto_statement")

#: The field of what is assigned.
_ASSIGNED = {"assignment_expression": "left", "update_expression": "argument"}

#: What may stand between two neighbours.
_BETWEEN = ("comment", "preproc_call")


def mutants(function: CFunction) -> list[Mutant]:
    """Every mutant of ``function`` and of the static functions that it alone leads to, in the order of the text."""
    bodies = (part.body for part in function.file.parts(function))
    return [mutant for body in bodies for node in _walk(body) for mutant in _MAKERS.get(node.type, _none)(node)]


def sample(found: Iterable[Mutant], number: int, seed: int) -> list[Mutant]:
    """``number`` of the mutants at most, in the order of the text.

    Each kind of change gives as many as any other, as long as it has some: a body holds many more constants than
    conditions. A larger number adds to what a smaller one takes.
    """
    draws = random.Random(seed)
    kinds: dict[Operator, list[Mutant]] = {}
    for mutant in found:
        kinds.setdefault(mutant.operator, []).append(mutant)
    piles = list(kinds.values())
    draws.shuffle(piles)
    for pile in piles:
        draws.shuffle(pile)
    rounds = max(map(len, piles), default=0)
    dealt = [pile[turn] for turn in range(rounds) for pile in piles if turn < len(pile)]
    return sorted(dealt[:number], key=lambda one: (one.start, one.end, one.text))


def trap_at(function: CFunction, start: int) -> Mutant:
    """The change by which whoever comes to the statement at ``start`` is trapped."""
    node = function.file.root.descendant_for_byte_range(start, start + 1)
    while node is not None:
        if _is_statement(node):
            return Mutant(Operator.DROPPED, node.start_byte, node.end_byte, _TRAP + text_of(node) + b" }")
        if node.type == "declaration" and node.parent is not None and node.parent.type in _LISTS:
            return Mutant(Operator.DROPPED, node.start_byte, node.start_byte, _TRAP[2:])
        node = node.parent
    return trap(function)


def trap(function: CFunction) -> Mutant:
    """The change by which every call is trapped."""
    first = function.body.start_byte + 1
    return Mutant(Operator.DROPPED, first, first, b" " + _TRAP[2:])


_TRAP = b"{ __builtin_trap(); "
_LISTS = ("compound_statement", "case_statement", "labeled_statement")


class Shown(NamedTuple):
    """A mutant as people see it: the line of the file, from 1, and its text before and after."""

    line: int
    before: str
    after: str


def shown(source: bytes, mutant: Mutant) -> Shown:
    """The lines of ``source`` that ``mutant`` changes, each run of blanks as one; directives are left out."""
    begin = source.rfind(b"\n", 0, mutant.start) + 1
    end = source.find(b"\n", mutant.end)
    end = len(source) if end < 0 else end
    after = source[begin : mutant.start] + mutant.text + source[mutant.end : end]
    return Shown(source.count(b"\n", 0, mutant.start) + 1, _one_line(source[begin:end]), _one_line(after))


def _one_line(text: bytes) -> str:
    lines = (line for line in text.decode(errors="replace").splitlines() if not line.lstrip().startswith("#"))
    return " ".join(" ".join(lines).split())


def _walk(node: Node) -> Iterator[Node]:
    """``node`` and all below it in the order of the text, but for the conditions of the preprocessor."""
    waiting = [node]  # no recursion: a chain of else-if is as deep as it is long
    while waiting:
        node = waiting.pop()
        yield node
        conditional = node.type in ("preproc_if", "preproc_elif")
        condition = node.child_by_field_name("condition") if conditional else None
        waiting += [child for child in reversed(node.children) if child != condition]


def _is_statement(node: Node) -> bool:
    return node.type.endswith("_statement") and node.type not in _LISTS


def _none(_: Node) -> Iterator[Mutant]:
    return iter(())


def _replaced(operator: Operator, node: Node, *texts: bytes) -> Iterator[Mutant]:
    for text in texts:
        yield Mutant(operator, node.start_byte, node.end_byte, text)


def _binary(node: Node) -> Iterator[Mutant]:
    sign = node.child_by_field_name("operator")
    if sign is not None and sign.type in _BINARY:
        operator, texts = _BINARY[sign.type]
        yield from _replaced(operator, sign, *(text.encode() for text in texts))


def _assignment(node: Node) -> Iterator[Mutant]:
    sign = node.child_by_field_name("operator")
    if sign is not None and sign.type[:-1] in _BINARY:
        operator, texts = _BINARY[sign.type[:-1]]
        yield from _replaced(operator, sign, *(f"{text}=".encode() for text in texts))


def _other(node: Node) -> Iterator[Mutant]:
    sign = node.child_by_field_name("operator")
    if sign is not None and sign.type in _OTHER:
        operator, texts = _OTHER[sign.type]
        yield from _replaced(operator, sign, *(text.encode() for text in texts))


def _constant(node: Node) -> Iterator[Mutant]:
    """One more, one less, zero, and the other sign: the top bit of the type, or of 32 where nothing says 64."""
    found = _INTEGER.fullmatch(text_of(node))
    if found is None:  # a floating-point one
        return
    sign, digits, suffix = found.groups()
    octal = digits[:1] == b"0" and digits.isdigit()
    old = int(digits, 8) if octal and digits != b"0" else int(digits, 0)
    wide = b"l" in suffix.lower() or old > 0xFFFF_FFFF or _macro_of(node).endswith(b"64_C")
    top = {b"-": b"+", b"+": b"-"}.get(sign)
    others = {old + 1: None, old - 1: None, 0: None, **({} if top else {old ^ (1 << (63 if wide else 31)): None})}
    style = b"%#x" if digits[:2].lower() == b"0x" else b"%d"
    yield from _replaced(
        Operator.CONSTANT, node, *(sign + style % new + suffix for new in others if new >= 0 and new != old)
    )
    if top and old:
        yield from _replaced(Operator.CONSTANT, node, top + digits + suffix)


def _macro_of(node: Node) -> bytes:
    """The name of the macro or function that ``node`` is an argument of, if it is one."""
    call = node.parent.parent if node.parent is not None and node.parent.type == "argument_list" else None
    called = call.child_by_field_name("function") if call is not None else None
    return text_of(called) if called is not None else b""


def _type(node: Node) -> Iterator[Mutant]:
    """The other sign, and another width; ``int`` within ``unsigned int`` is not looked at alone."""
    if node.parent is not None and node.parent.type == "sized_type_specifier":
        return
    name = text_of(node)
    found = _SIZED.fullmatch(name)
    if found is not None:
        sign, width, end = found[1], found[2], found[3] or b""
        yield from _replaced(Operator.WIDTH, node, _OTHER_SIGN[sign] + width + end, sign + _OTHER_WIDTH[width] + end)
    elif name in _PLAIN:
        yield from _replaced(Operator.WIDTH, node, _PLAIN[name])


def _call(node: Node) -> Iterator[Mutant]:
    """A function or macro of one operand whose value is used is taken for a conversion, and left out."""
    called, operands = node.child_by_field_name("function"), node.child_by_field_name("arguments")
    if called is None or operands is None or operands.named_child_count != 1:
        return
    is_statement = node.parent is not None and node.parent.type == "expression_statement"
    if not is_statement and not _CONSTANT_MACRO.fullmatch(text_of(called)):
        yield from _replaced(Operator.WIDTH, node, text_of(operands))


def _statement(node: Node) -> Iterator[Mutant]:
    """Left out; and after the next one, where one of the two assigns what the other one names."""
    if not node.named_child_count and node.type not in _JUMPS:  # a semicolon alone
        return
    if node.parent is not None and (node.parent.type in _LISTS or _is_statement(node.parent) or _is_else(node.parent)):
        yield from _replaced(Operator.DROPPED, node, b";")
    after = node.next_named_sibling
    while after is not None and (after.type in _BETWEEN or text_of(after) == b";"):
        after = after.next_named_sibling
    if after is None or node.parent is None or not node.type == after.type == "expression_statement":
        return
    if _assigns_part_of(node, after) or _assigns_part_of(after, node):
        whole, first = text_of(node.parent), node.parent.start_byte
        between = whole[node.end_byte - first : after.start_byte - first]
        swapped = text_of(after) + between + text_of(node)
        yield Mutant(Operator.ORDER, node.start_byte, after.end_byte, swapped)


def _assigns_part_of(one: Node, other: Node) -> bool:
    """Whether ``other`` names what ``one`` assigns, as far as the text alone can say."""
    for node in _walk(one):
        left = node.child_by_field_name(_ASSIGNED[node.type]) if node.type in _ASSIGNED else None
        if left is not None and re.search(rb"(?<!\w)" + re.escape(text_of(left)) + rb"(?!\w)", text_of(other)):
            return True
    return False


def _is_else(node: Node) -> bool:
    return node.type == "else_clause"


def _condition(node: Node) -> Iterator[Mutant]:
    condition = node.child_by_field_name("condition")
    if condition is None:
        return
    negated = b"!(" + text_of(condition) + b")"
    in_brackets = condition.type == "parenthesized_expression" and node.type != "conditional_expression"
    yield from _replaced(Operator.NEGATED, condition, b"(" + negated + b")" if in_brackets else negated)


_MAKERS: dict[str, Callable[[Node], Iterator[Mutant]]] = {
    "binary_expression": _binary,
    "assignment_expression": _assignment,
    **dict.fromkeys(("unary_expression", "update_expression"), _other),
    "number_literal": _constant,
    **dict.fromkeys(("primitive_type", "type_identifier", "sized_type_specifier"), _type),
    "call_expression": _call,
    **dict.fromkeys(("expression_statement", *_JUMPS), _statement),
    **dict.fromkeys(("if_statement", "while_statement", "do_statement", "for_statement"), _condition),
    "conditional_expression": _condition,
}
