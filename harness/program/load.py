"""Loads the image that ``[guest]`` of ``tally.toml`` names."""

from __future__ import annotations

from harness.config import Guest
from harness.program.elf import load_elf
from harness.program.model import Program
from harness.program.raw import load_raw


def load_program(guest: Guest) -> Program:
    """Reads the guest program: a raw image where ``base`` and ``functions`` are given, an ELF file otherwise.

    Errors: ``UsageError`` for whatever is wrong with the files.
    """
    if guest.base is not None and guest.functions is not None:
        return load_raw(guest.image, guest.base, guest.functions)
    return load_elf(guest.image)
