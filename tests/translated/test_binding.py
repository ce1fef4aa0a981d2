"""Placeholders and names: from the binding's text to C for one register or function."""

from __future__ import annotations

from harness.config import Binding
from harness.translated.binding import bound_registers, c_name, call_text, filled, function_name, prototype_text

ADDRESS = 0xFFFF_FFFF_8000_1A2C


def binding(**keys: str) -> Binding:
    return Binding.model_validate({"call": "{function}()", "gpr": "r[{n}]", **keys})


def test_known_words_in_braces_are_replaced_and_c_braces_stay() -> None:
    assert filled("if (x) { y = {n}; } {unknown}", n="3") == "if (x) { y = 3; } {unknown}"


def test_a_value_that_looks_like_a_placeholder_is_not_replaced_again() -> None:
    assert filled("{name}", name="{n}", n="3") == "{n}"


def test_what_c_does_not_allow_in_a_name_becomes_an_underscore() -> None:
    assert c_name("tide.part.0$x-é") == "tide_part_0_x__"


def test_functions_are_named_by_name_or_by_address() -> None:
    assert function_name(binding(), "tide.cold", ADDRESS) == "tide_cold"
    assert function_name(binding(function="at_{address}"), "tide", ADDRESS) == "at_80001a2c"
    assert function_name(binding(function=""), "tide", ADDRESS) == ""


def test_a_call_may_go_through_the_address_and_the_return_address() -> None:
    text = call_text(binding(call="go(0x{address}, {memory}, {return_address})"), "", ADDRESS)
    assert text == "go(0x80001a2c, tally_memory, UINT64_C(0xffffffff8ffff000))"


def test_a_semicolon_after_the_prototype_does_no_harm() -> None:
    assert prototype_text(binding(prototype="void {function}(void); "), "tide") == "void tide(void)"


def test_only_named_registers_are_bound_and_register_zero_is_not_read_back() -> None:
    registers = bound_registers(binding(hi="high"), fr=True)
    assert [one.lvalue for one in registers] == [*(f"r[{n}]" for n in range(32)), "high"]
    assert [one.field for one in registers if not one.read_back] == ["gpr[0]"]


def test_the_wiring_of_the_fpu_chooses_between_doublewords_and_words() -> None:
    both = binding(fpr="d[{n}]", fpr_word="w[{n}]")
    assert [(one.lvalue, one.bytes) for one in bound_registers(both, fr=True)[32:34]] == [("d[0]", 8), ("d[1]", 8)]
    assert [(one.lvalue, one.bytes) for one in bound_registers(both, fr=False)[32:34]] == [("w[0]", 4), ("w[1]", 4)]
