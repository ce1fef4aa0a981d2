"""Loads the image that ``[guest]`` of ``tally.toml`` names."""

from __future__ import annotations

from harness.config import Guest
from harness.program.elf import load_elf
from harness.program.model import Program
from harness.program.raw import load_raw
from harness.program.segments import WHOLE, Loading


def load_program(guest: Guest, loading: Loading = WHOLE) -> Program:
    """Reads the guest program: a raw image where ``base`` and ``functions`` are given, an ELF file otherwise.

    Of its segments, those are in memory that ``loading`` says.

    Errors: ``UsageError`` for whatever is wrong with the files.
    """
    if guest.base is not None and guest.functions is not None:
        return load_raw(guest.image, guest.base, guest.functions, loading)
    return load_elf(guest.image, loading)
