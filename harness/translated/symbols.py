"""What the objects define and call, read from their symbol tables."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from elftools.common.exceptions import ELFError
from elftools.elf.elffile import ELFFile
from elftools.elf.sections import SymbolTableSection

from harness.errors import UsageError


@dataclass(frozen=True, slots=True)
class Symbols:
    """Names of some objects: functions and data others can see, functions they cannot, and what is used undefined.

    ``hidden`` are those of ``defined`` that the objects of one library bind among themselves.
    """

    defined: frozenset[str]
    static: frozenset[str]
    undefined: frozenset[str]
    hidden: frozenset[str] = frozenset()


def read_symbols(objects: Iterable[Path]) -> Symbols:
    """The symbols of all ``objects`` together.

    Errors: ``UsageError`` for an object that is not a plain ELF file, as link-time optimisation makes them.
    """
    defined: set[str] = set()
    static: set[str] = set()
    used: set[str] = set()
    hidden: set[str] = set()
    for path in objects:
        for name, binding, kind, section, visibility in _symbols(path):
            if section == "SHN_UNDEF":
                used.add(name)
            elif binding == "STB_LOCAL":
                static.update([name] if kind == "STT_FUNC" else [])
            else:
                defined.add(name)
                hidden.update([name] if visibility != "STV_DEFAULT" else [])
    return Symbols(frozenset(defined), frozenset(static - defined), frozenset(used - defined), frozenset(hidden))


def function_at(library: Path, offset: int) -> str:
    """The name of the function of ``library`` that holds the byte at ``offset``, empty where none does."""
    starts, functions = _functions(library)
    index = bisect_right(starts, offset) - 1
    if index < 0 or offset >= functions[index][0] + functions[index][1]:
        return ""
    return functions[index][2]


@lru_cache(maxsize=16)
def _functions(library: Path) -> tuple[list[int], list[tuple[int, int, str]]]:
    """Starts, and (start, size, name), of all functions of a library; it is named by content and never changes."""
    with library.open("rb") as file:
        table = _table(ELFFile(file))
        found = sorted(
            (symbol["st_value"], symbol["st_size"], symbol.name)
            for symbol in (table.iter_symbols() if table else ())
            if symbol["st_info"]["type"] == "STT_FUNC" and symbol["st_size"]
        )
    return [start for start, _, _ in found], found


def _symbols(path: Path) -> Iterator[tuple[str, str, str, str, str]]:
    """Name, binding, type, section and visibility of each named symbol of an object."""
    with path.open("rb") as file:
        try:
            table = _table(ELFFile(file))
        except ELFError:
            table = None
        if table is None or table.get_symbol_by_name("__gnu_lto_slim"):
            raise UsageError(
                str(path),
                "no plain object file",
                help="leave link-time optimisation (-flto) out of the compiler command, or add -ffat-lto-objects",
            )
        for symbol in table.iter_symbols():
            if symbol.name:
                info = symbol["st_info"]
                yield symbol.name, info["bind"], info["type"], symbol["st_shndx"], symbol["st_other"]["visibility"]


def _table(file: ELFFile) -> SymbolTableSection | None:
    section = file.get_section_by_name(".symtab")
    return section if isinstance(section, SymbolTableSection) else None
