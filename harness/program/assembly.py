"""The word of an instruction, made from its row."""

from __future__ import annotations

from interp.optable import ROWS

_ROWS = {row.name: row for row in ROWS}
_ALIASES = {"imm": "i", "uimm": "i", "code": "c", "ft": "t", "fs": "d", "fd": "a"}


def encode(name: str, **fields: int) -> int:
    """The word of row ``name``; fields by pattern letter (or imm, code, ft, fs, fd), those left out are 0.

    Errors: KeyError for an unknown row or field, ValueError for a number that does not fit its field.
    """
    row = _ROWS[name]
    word = row.match
    for letter, number in fields.items():
        low, width = row.fields[_ALIASES.get(letter, letter)]
        if not -(1 << width - 1) <= number < 1 << width:
            raise ValueError(f"{name}: field {letter} has {width} bits: got {number}")
        word |= (number & (1 << width) - 1) << low
    return word
