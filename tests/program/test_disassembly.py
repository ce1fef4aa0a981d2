"""The text of instructions; ``tests/interp/test_encodings_binutils.py`` holds it against GNU objdump."""

from __future__ import annotations

from harness.program.disassembly import disassemble


def test_a_word_that_is_no_instruction_prints_as_data() -> None:
    assert disassemble(0xFFFF_FFFF & 0xCC00_0000) == ".word 0xcc000000"
