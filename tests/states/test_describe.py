"""The tree of a shape, on code whose inputs can be read off by hand."""

from __future__ import annotations

from machine_code import A0, A1, IDENTITY, LIST_SUM, NOP, RA, RETURN, SP, T0, T1, V0, program

from harness.abi import ABIS
from harness.program.assembly import encode
from harness.results import ShapeNode
from harness.states.describe import described
from harness.states.shape import find_shape


def tree_of(*functions: tuple[int, ...]) -> list[str]:
    """The lines of the first function's tree: place, what, count where it is not 1; fields are indented."""

    def lines(nodes: tuple[ShapeNode, ...], depth: int) -> list[str]:
        found: list[str] = []
        for node in nodes:
            times = f" x{node.count}" if node.count > 1 else ""
            found += [f"{'  ' * depth}{node.place} {node.what}{times}", *lines(node.fields, depth + 1)]
        return found

    image = program(*functions)
    return lines(described(find_shape(image, image.functions[0], ABIS["o32"], fr=False)), 0)


def test_the_next_node_of_a_list_is_named_and_not_drawn_again() -> None:
    assert tree_of(LIST_SUM) == [
        "a0 pointer or null to 8 bytes",
        "  +0x0 integer of 32 bits",
        "  +0x4 pointer or null to another of these objects",
    ]


def test_like_words_side_by_side_are_one_node_with_a_count() -> None:
    """return a0[0] + a0[1] + a1 for bytes that are loaded as signed; a1 is compared as unsigned"""
    code = (
        encode("lb", t=T0, s=A0),
        encode("lb", t=T1, s=A0, i=1),
        encode("addu", d=V0, s=T0, t=T1),
        encode("sltiu", t=T0, s=A1, i=9),
        encode("addu", d=V0, s=V0, t=T0),
        *RETURN,
    )
    assert tree_of(code) == [
        "a0 pointer to 2 bytes",
        "  +0x0 signed integer of 8 bits x2",
        "a1 integer of 64 bits",
    ]


def test_a_function_pointer_says_how_many_functions_it_may_lead_to() -> None:
    calls = (
        encode("addiu", t=SP, s=SP, i=-8),
        encode("sw", t=RA, s=SP),
        encode("jalr", s=A0, d=RA),
        NOP,
        encode("lw", t=RA, s=SP),
        encode("jr", s=RA),
        encode("addiu", t=SP, s=SP, i=8),
    )
    assert tree_of(calls, IDENTITY) == ["a0 function, one of 1"]
