"""Writes the program of probes: ELF files, listings, and the list of bins."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain
from pathlib import Path

from harness.errors import UsageError
from harness.opcodes.bins import BinList
from harness.opcodes.catalogue import catalogue
from harness.opcodes.image import Image, elf_file, lay_out
from harness.opcodes.outcomes import outcome_names
from harness.opcodes.probe import Probe
from harness.program.disassembly import disassemble
from interp.words import sext32, zext64

#: Wiring of the FPU -> FR. Paired registers come as o32, flat ones as n32.
WIRINGS = {"paired": False, "flat": True}


def emit(folder: Path) -> Iterator[str]:
    """Writes everything into ``folder``, made if needed, and tells a line about each file.

    Errors: ``UsageError`` where it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for wiring, fr in WIRINGS.items():
            probes = catalogue(fr)
            image = lay_out(probes)
            elf, listing, bins = (folder / f"opcodes-{wiring}.{ending}" for ending in ("elf", "lst", "bins"))
            elf.write_bytes(elf_file(image, fr))
            listing.write_text("".join(f"{line}\n" for line in _listing(image)), encoding="utf-8")
            names = [f"{probe.name}\t{name}\n" for probe in probes for name in _bins(probe)]
            bins.write_text("".join(names), encoding="utf-8")
            yield f'{elf}: {len(probes):,} probes, abi = "{"n32" if fr else "o32"}"'
            yield f"{bins}: {len(names):,} bins"
    except OSError as error:
        where = str(error.filename or folder)
        raise UsageError(where, "cannot be written", got=(error.strerror or str(error)).lower()) from None
    yield "translate the ELF files, describe the C in a tally.toml, and run `tallystick opcodes check` on it"


def _bins(probe: Probe) -> Iterator[str]:
    return chain(BinList.of(probe).all(), outcome_names(probe))


def _listing(image: Image) -> Iterator[str]:
    for function in image.functions:
        yield f"{function.name}:"
        for number, word in enumerate(function.words):
            address = zext64(sext32(function.address + 4 * number))
            yield f"  {address:016x}  {word:08x}  {disassemble(word, address)}"
