"""Mutants of C: what each kind of change makes of a line, which are taken, and what is left of a file beside them.

The operators are the usual ones of mutation testing (Agrawal et al., Design of Mutant Operators for the C Programming
Language, SERC-TR-41-P, 1989, from memory); what they make of each line here is written by hand.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from harness.opcodes.mutants import Mutant, Operator, mutants, sample, shown, trap, trap_at
from harness.translated.c_source import CFile, CFunction

MANY = "uint64_t x = 1, y = 2; x = y + 3; y = x & 7; if (x < y) x <<= 2; x = (int32_t)y;"


def function(body: str, before: str = "") -> CFunction:
    found = CFile(Path("harbour.c"), f"{before}void f(void)\n{{{body}}}\n".encode()).functions
    return next(one for one in found if one.name == "f")


def changed(one: CFunction, mutant: Mutant) -> str:
    """The body that a mutant has."""
    return one.file.changed([mutant[1:]]).decode().split("\n{")[1].removesuffix("}\n")


def lines(body: str, operator: Operator) -> set[str]:
    """What the changes of one kind make of ``body``."""
    one = function(body)
    return {changed(one, mutant) for mutant in mutants(one) if mutant.operator is operator}


@pytest.mark.parametrize(
    ("line", "operator", "expected"),
    [
        ("a = b + c;", Operator.ARITHMETIC, {"a = b - c;"}),
        ("a = b * c;", Operator.ARITHMETIC, {"a = b + c;"}),
        ("a -= b;", Operator.ARITHMETIC, {"a += b;"}),
        ("a++;", Operator.ARITHMETIC, {"a--;"}),
        ("a = -b;", Operator.ARITHMETIC, {"a = +b;"}),
        ("a = b & c;", Operator.LOGIC, {"a = b | c;"}),
        ("a ^= b;", Operator.LOGIC, {"a |= b;"}),
        ("a = b && c;", Operator.LOGIC, {"a = b || c;"}),
        ("a = ~b;", Operator.LOGIC, {"a = +b;"}),
        ("a = b << c;", Operator.SHIFT, {"a = b >> c;"}),
        ("a >>= b;", Operator.SHIFT, {"a <<= b;"}),
        ("a = b < c;", Operator.COMPARISON, {"a = b <= c;", "a = b >= c;"}),
        ("a = b == c;", Operator.COMPARISON, {"a = b != c;"}),
        ("a = 5;", Operator.CONSTANT, {"a = 6;", "a = 4;", "a = 0;", "a = 2147483653;"}),
        ("a = 0;", Operator.CONSTANT, {"a = 1;", "a = 2147483648;"}),
        ("a = 0x10u;", Operator.CONSTANT, {"a = 0x11u;", "a = 0xfu;", "a = 0x0u;", "a = 0x80000010u;"}),
        ("a = 2ll;", Operator.CONSTANT, {"a = 3ll;", "a = 1ll;", "a = 0ll;", "a = 9223372036854775810ll;"}),
        ("a = UINT64_C(1);", Operator.CONSTANT, {f"a = UINT64_C({n});" for n in (2, 0, 9223372036854775809)}),
        ("a = (-7);", Operator.CONSTANT, {"a = (-8);", "a = (-6);", "a = (-0);", "a = (+7);"}),
        ("a = 017;", Operator.CONSTANT, {"a = 16;", "a = 14;", "a = 0;", "a = 2147483663;"}),
        ("a = 1.5f;", Operator.CONSTANT, set()),
        ("a = (int32_t)b;", Operator.WIDTH, {"a = (uint32_t)b;", "a = (int64_t)b;"}),
        ("uint64_t a;", Operator.WIDTH, {"int64_t a;", "uint32_t a;"}),
        ("a = (u16)b;", Operator.WIDTH, {"a = (s16)b;", "a = (u8)b;"}),
        ("a = (int8_t)b;", Operator.WIDTH, {"a = (uint8_t)b;", "a = (int16_t)b;"}),
        ("a = (unsigned int)b;", Operator.WIDTH, {"a = (int)b;"}),
        ("a = widen(b);", Operator.WIDTH, {"a = (b);"}),
        ("widen(b);", Operator.WIDTH, set()),
        ("a = UINT32_C(1);", Operator.WIDTH, set()),
        ("a = b; b = c;", Operator.ORDER, {"b = c; a = b;"}),
        ("a = b; /* so */ ; b++;", Operator.ORDER, {"b++; /* so */ ; a = b;"}),
        ("a = b; c = b;", Operator.ORDER, set()),
        ("g->r[1] = b; c = g->r[1];", Operator.ORDER, {"c = g->r[1]; g->r[1] = b;"}),
        ("a = b;", Operator.DROPPED, {";"}),
        ("for (;;) break;", Operator.DROPPED, {"for (;;) ;"}),
        ("if (a) b(); else c();", Operator.DROPPED, {"if (a) ; else c();", "if (a) b(); else ;"}),
        ("int a = 1; ; return;", Operator.DROPPED, set()),
        ("if (a) b();", Operator.NEGATED, {"if (!((a))) b();"}),
        ("while (a) b();", Operator.NEGATED, {"while (!((a))) b();"}),
        ("for (; a;) b();", Operator.NEGATED, {"for (; !(a);) b();"}),
        ("a = b ? c : d;", Operator.NEGATED, {"a = !(b) ? c : d;"}),
        ("a = !b;", Operator.NEGATED, {"a = !!b;"}),
    ],
)
def test_what_each_kind_of_change_makes_of_a_line(line: str, operator: Operator, expected: set[str]) -> None:
    assert lines(line, operator) == expected


def test_a_sample_is_a_function_of_its_seed_and_a_larger_one_adds_to_it() -> None:
    found = mutants(function(MANY))
    assert sample(found, 8, 1) == sample(found, 8, 1)
    assert sample(found, 8, 1) != sample(found, 8, 2)
    assert set(sample(found, 8, 1)) < set(sample(found, 12, 1))
    assert sample(found, 1000, 1) == sorted(found, key=lambda one: one[1:])


def test_a_sample_takes_as_many_of_each_kind_as_there_are() -> None:
    found = mutants(function(MANY))
    kinds = {one.operator for one in found}
    taken = Counter(one.operator for one in sample(found, len(kinds), 3))
    assert set(taken.values()) == {1}


def test_a_mutant_is_shown_at_its_line_of_the_file_whatever_line_directives_say() -> None:
    body = '\n#line 900 "harbour.lst"\n  a = b\n      + c;\n#line 4 "harbour.c"\n  d = 1;\n'
    one = function(body, before="/* harbour */\n")
    (mutant,) = [mutant for mutant in mutants(one) if mutant.operator is Operator.ARITHMETIC]
    assert shown(one.file.text, mutant) == (6, "+ c;", "- c;")
    (dropped, _) = [mutant for mutant in mutants(one) if mutant.operator is Operator.DROPPED]
    assert shown(one.file.text, dropped) == (5, "a = b + c;", ";")


def test_a_change_moves_no_line_that_stays() -> None:
    one = function("\n  a = b\n      + c;\n  d = 1;\n")
    dropped = next(mutant for mutant in mutants(one) if mutant.operator is Operator.DROPPED)
    before, after = (one.file.changed(changes).splitlines() for changes in ([], [dropped[1:]]))
    assert before[0] == b'#line 1 "harbour.c"'
    assert before[5] == after[5] == b"  d = 1;"


def test_gnu_extensions_are_read_and_what_stands_behind_them_is_found() -> None:
    body = """
        static void *const to[] = {&&here, [1 ... 3] = &&there};
        __extension__ int a = ({ int b = 2; b; }) ?: 3;
        __typeof__(a) c = a; __asm__ volatile("" : "+r"(c) : : "memory");
        switch (c) { case 1 ... 5: c = 9; __attribute__((fallthrough)); default: goto *to[c & 3]; }
    here: there:
        c = c + 11;"""
    one = function(body, before="__attribute__((noinline, hot)) static int g(int n) { return n; }\n")
    texts = {mutant.text for mutant in mutants(one)}
    assert {b"12", b"10"} <= texts  # behind all of it
    assert {b"8"} <= texts  # within the range of cases


def test_a_function_is_found_within_conditions_and_behind_words_that_are_macros() -> None:
    text = b"#ifdef PORT\nint *f(void) { return 0; }\n#else\nEXPORT void g(void) { }\n#endif\nu8 (*h(int a))(int) { }\n"
    assert [one.name for one in CFile(Path("x.c"), text).functions] == ["f", "g", "h"]


def test_only_bodies_that_other_files_can_call_are_cut() -> None:
    text = "static int a(void) { return 1; }\ninline int b(void) { return 2; }\nint c(n) int n; { return 3; }\n"
    one = function(" d(); ", before=f"{text}int d(void)\n{{\n    return 4;\n}}\n")
    cut = one.file.changed(one.file.cuts(one, {"a", "b", "c", "d", "f"})).decode()
    assert [f"return {n};" in cut for n in (1, 2, 3, 4)] == [True, True, True, False]
    assert cut.count("\n") == one.file.text.count(b"\n") + 1
    assert "int d(void)\n;\n" in cut
    assert "{ d(); }" in cut
    assert one.file.cuts(one, {"a", "f"}) == []


def test_a_function_is_changed_in_the_static_functions_that_it_alone_leads_to_as_well() -> None:
    one = function(
        " return blocks[0](); ",
        before="""static int both(void) { return 1; }
static int next(void) { return both() + 2; }
static int first(void) { return next() + 3; }
static int (*const blocks[1])(void) = {first};
int other(void) { return both() + 4; }
static int nobody(void) { return 5; }
""",
    )
    assert [part.name for part in one.file.parts(one)] == ["next", "first", "f"]
    texts = {mutant.text for mutant in mutants(one) if mutant.operator is Operator.CONSTANT}
    assert {b"1", b"4"} <= texts  # one less than 2, one more than 3
    assert b"6" not in texts  # one more than 5


@pytest.mark.parametrize(
    ("body", "at", "expected"),
    [
        ("a = b; c = z;", "z", "a = b; { __builtin_trap(); c = z; }"),
        ("if (y) b = z;", "z", "if (y) { __builtin_trap(); b = z; }"),
        ("if (y) b = z;", "y", "{ __builtin_trap(); if (y) b = z; }"),
        ("a(); int b = z;", "z", "a(); __builtin_trap(); int b = z;"),
        ("switch (a) { case 1: b = z; }", "z", "switch (a) { case 1: { __builtin_trap(); b = z; } }"),
        ("switch (a) { case 1: b = z; }", "1", "{ __builtin_trap(); switch (a) { case 1: b = z; } }"),
        ("here: b = z;", "z", "here: { __builtin_trap(); b = z; }"),
    ],
)
def test_a_trap_is_set_before_the_statement_that_holds_a_place(body: str, at: str, expected: str) -> None:
    one = function(body)
    place = one.body.start_byte + 1 + body.index(at)
    assert changed(one, trap_at(one, place)) == expected


def test_a_trap_for_every_call_stands_first() -> None:
    one = function("int a = 1;")
    assert changed(one, trap(one)) == " __builtin_trap(); int a = 1;"
