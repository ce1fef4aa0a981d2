"""Reads a linked MIPS ELF file into a ``Program``."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

from elftools.common.exceptions import ELFError
from elftools.elf.constants import SH_FLAGS
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection

from harness.errors import UsageError
from harness.program.files import read_image
from harness.program.functions import Symbol, collect_segments
from harness.program.layout import UNMAPPED_SEGMENTS, Piece, lay_out, sign_extended
from harness.program.model import Function, Program
from harness.program.raw import raw_segment
from harness.program.segments import WHOLE, Loading

_MAGIC = b"\x7fELF"

#: Allocated sections that describe the file and are no memory of the program.
_DESCRIPTIVE = ("SHT_MIPS_REGINFO", "SHT_MIPS_ABIFLAGS", "SHT_MIPS_OPTIONS", "SHT_NOTE")

#: What a damaged file makes pyelftools raise besides its own errors (found by flipping and cutting bytes).
_DAMAGE = (ELFError, AssertionError, AttributeError, IndexError, KeyError, OverflowError, TypeError, ValueError)


def load_elf(path: Path, loading: Loading = WHOLE) -> Program:
    """Reads an ELF32 or ELF64 executable, big-endian MIPS, as far as its segments are in memory.

    Errors: ``UsageError`` for a file that is missing, unreadable, no ELF, damaged, for another machine or byte order,
    not linked, or without function symbols.
    """
    image = read_image(path)
    if image[:4] != _MAGIC:
        raise UsageError(
            str(path),
            "is not an ELF file",
            got=f"it starts with {image[:4].hex() or 'nothing'}",
            expected=_MAGIC.hex(),
            help="for a raw image give `base` and `functions` in [guest]",
        )
    try:
        elf = ELFFile(BytesIO(image))
        _check_header(path, elf)
        sections = _sections(elf)
        symbols = _symbols(elf)
        beyond = _beyond(elf, sections)
        entry = sign_extended(elf["e_entry"])
        gp = _gp(elf)
    except _DAMAGE as error:
        raise UsageError(
            str(path),
            "is a damaged ELF file",
            got=str(error) or type(error).__name__,
            help="build the image again; `readelf -a` shows how far it can be read",
        ) from error
    segments = loading.segments_of([piece.name for piece in sections])
    pieces = [piece for piece in sections if loading.holds(segments[piece.name])]
    functions, notes = collect_segments(symbols, sections, segments)
    elsewhere = tuple(function for function in functions if not loading.holds(function.segment))
    functions = tuple(function for function in functions if loading.holds(function.segment))
    if not functions:
        raise UsageError(
            str(path),
            "has no function symbols",
            got=f"{len(symbols)} symbols of type FUNC, none of them in executable memory",
            expected="at least one",
            help="link without -s and do not strip the image; or make a raw image of it and list the functions",
        )
    for segment in loading.raw:
        more, listed = raw_segment(segment)
        if loading.holds(segment.name):
            pieces += more
            functions = tuple(sorted((*functions, *listed), key=lambda function: function.address))
        else:
            elsewhere += listed
    regions, code = lay_out(path, pieces)
    return Program(path, regions, code, functions, gp, entry, notes, beyond, elsewhere=elsewhere)


def _check_header(path: Path, elf: Any) -> None:
    if elf["e_machine"] != "EM_MIPS":
        raise UsageError(
            str(path),
            "is for another machine",
            got=str(elf["e_machine"]),
            expected="EM_MIPS",
            help="`image` in [guest] is the guest program, not the translated one",
        )
    if elf.little_endian:
        raise UsageError(
            str(path),
            "has the wrong byte order",
            got="little-endian",
            expected="big-endian",
            help="build the guest program with -EB",
        )
    if elf["e_type"] != "ET_EXEC":
        raise UsageError(
            str(path),
            "is not linked to fixed addresses",
            got=str(elf["e_type"]),
            expected="ET_EXEC",
            help="link it to an executable without -r, -shared and -pie",
        )


def _sections(elf: Any) -> list[Piece]:
    """Gives the allocated sections: segments often hold code and data together, and symbols need sections anyway."""
    pieces = []
    for section in elf.iter_sections():
        flags = section["sh_flags"]
        if not flags & SH_FLAGS.SHF_ALLOC or not section["sh_size"] or section["sh_type"] in _DESCRIPTIVE:
            continue
        pieces.append(
            Piece(
                address=sign_extended(section["sh_addr"]),
                size=section["sh_size"],
                data=b"" if section["sh_type"] == "SHT_NOBITS" else section.data(),
                writable=bool(flags & SH_FLAGS.SHF_WRITE),
                executable=bool(flags & SH_FLAGS.SHF_EXECINSTR),
                name=section.name,
            )
        )
    return pieces


def _symbols(elf: Any) -> list[Symbol]:
    """Gives the defined function symbols in the order of the table."""
    names = [section.name for section in elf.iter_sections()]
    return [
        Symbol(
            entry.name,
            sign_extended(entry["st_value"]),
            entry["st_size"],
            entry["st_info"]["bind"],
            names[entry["st_shndx"]] if isinstance(entry["st_shndx"], int) else "",
        )
        for table in elf.iter_sections()
        if isinstance(table, SymbolTableSection)
        for entry in table.iter_symbols()
        if entry["st_info"]["type"] == "STT_FUNC" and entry["st_shndx"] != "SHN_UNDEF"
    ]


def _beyond(elf: Any, pieces: list[Piece]) -> tuple[Function, ...]:
    """Gives the absolute symbols outside of the image that may be functions: a linker script names firmware so."""
    found = {}
    for table in elf.iter_sections():
        if isinstance(table, SymbolTableSection):
            for entry in table.iter_symbols():
                address = sign_extended(entry["st_value"])
                inside = any(piece.address <= address < piece.end for piece in pieces)
                is_function = entry["st_info"]["type"] in ("STT_NOTYPE", "STT_FUNC") and entry.name
                fits = address % 4 == 0 and address in UNMAPPED_SEGMENTS and not inside
                if entry["st_shndx"] == "SHN_ABS" and is_function and fits:
                    found[entry.name] = Function(entry.name, address, 0, size_stated=False)
    return tuple(found.values())


def _gp(elf: Any) -> int:
    """Gives the value of the symbol ``_gp``, 0 where there is none."""
    for table in elf.iter_sections():
        if isinstance(table, SymbolTableSection):
            for symbol in table.get_symbol_by_name("_gp") or ():
                return sign_extended(symbol["st_value"])
    return 0
