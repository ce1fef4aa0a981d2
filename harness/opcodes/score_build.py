"""From a mutant to a library that the worker can load, without compiling what did not change.

Only the changed function keeps its body in what is compiled; the linker takes it before the objects that are there
already, of which it drops what is defined twice. A function that needs variables of its file that no other file can
see would get its own copies of them: then the whole file is compiled, so that all that use them are together again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from elftools.elf.constants import SH_FLAGS
from elftools.elf.elffile import ELFFile
from elftools.elf.relocation import RelocationSection
from elftools.elf.sections import Symbol, SymbolTableSection

from harness.config import Translated
from harness.opcodes.mutants import Mutant
from harness.translated.build import Library
from harness.translated.c_source import CFunction
from harness.translated.cache import digest
from harness.translated.compiler import CompilerRefusal
from harness.translated.symbols import read_symbols

#: Variables stay variables, even those that nothing writes any more, and only those that nothing names are left out.
_PLAINEST = ("-O0", "-ftoplevel-reorder")

#: As much as a compiler can do: what it then makes the same of means the same.
_BEST = ("-O3",)

#: The linker takes what it finds first, and keeps still about the rest.
_FIRST_COUNTS = ("-Wl,-z,muldefs",)


@dataclass(frozen=True, slots=True)
class Made:
    """A library with a changed function, and the machine code that the change came to."""

    library: Library
    code: str


class Workshop:
    """Makes libraries out of ``library`` in which ``function`` is changed, all in the folder ``scratch``.

    Errors: ``CompilerRefusal`` where not even the unchanged file compiles.
    """

    def __init__(self, translated: Translated, library: Library, function: CFunction, scratch: Path) -> None:
        self._library = library
        self._function = function
        self._scratch = scratch
        self._include = [folder.resolve() for folder in translated.include]
        self._made = 0
        self._best = ""
        self._cuts = function.file.cuts(function, read_symbols([library.path]).defined)
        self.unchanged = self._unchanged()

    def make(self, *mutants: Mutant) -> Made:
        """The library with these changes.

        Errors: ``CompilerRefusal``.
        """
        found = self._object([(one.start, one.end, one.text) for one in mutants])
        path = found.with_suffix(".so")
        self._library.compiler.link([found, *self._library.parts], path, _FIRST_COUNTS)
        return Made(replace(self._library, path=path), machine_code(found))

    def is_equivalent(self, mutant: Mutant, made: Made) -> bool:
        """Whether the machine code is the same as without the change, be it only under the compiler's best efforts."""
        if made.code == self.unchanged.code:
            return True
        try:
            self._best = self._best or machine_code(self._object([], _BEST))
            return machine_code(self._object([mutant[1:]], _BEST)) == self._best
        except CompilerRefusal:  # of an option that it does not know
            return False

    def _unchanged(self) -> Made:
        """The library with nothing changed, made as all others are; decides how much of the file is compiled."""
        try:
            if not has_variables_of_its_own(self._object([], _PLAINEST)):
                return self.make()
        except CompilerRefusal:
            if not self._cuts:
                raise
        self._cuts = []
        return self.make()

    def _object(self, changes: list[tuple[int, int, bytes]], options: Sequence[str] = ()) -> Path:
        self._made += 1
        file = self._function.file
        source = self._scratch / f"{self._made}.c"
        text = file.changed([*self._cuts, *changes])
        source.write_bytes(text)
        # -w: a change may leave a variable without use, which -Werror in the user's command would refuse.
        beside = ["-w", "-iquote", str(file.path.parent), *options]
        return self._library.compiler.compile(source, text, self._include, self._scratch, beside)


def machine_code(path: Path) -> str:
    """A hash of all that an object will have in memory: sections with their relocations, and no debug information."""
    parts: list[bytes | str] = []
    with path.open("rb") as stream:
        file = ELFFile(stream)
        for section in file.iter_sections():
            if section["sh_flags"] & SH_FLAGS.SHF_ALLOC:
                is_empty = section["sh_type"] == "SHT_NOBITS"
                parts += [section.name, str(section["sh_size"]) if is_empty else section.data()]
            elif isinstance(section, RelocationSection) and _is_loaded(file, section):
                symbols = file.get_section(section["sh_link"])
                assert isinstance(symbols, SymbolTableSection)  # System V ABI, chapter 4: what sh_link of this type is
                for one in section.iter_relocations():
                    parts += [f"{dict(one.entry)}", _target(file, symbols, one["r_info_sym"])]
    return digest(*parts)


def _is_loaded(file: ELFFile, relocations: RelocationSection) -> bool:
    return bool(file.get_section(relocations["sh_info"])["sh_flags"] & SH_FLAGS.SHF_ALLOC)


def _target(file: ELFFile, symbols: SymbolTableSection, number: int) -> str:
    """What a relocation leads to, by name; by section and place where it has none."""
    symbol = symbols.get_symbol(number)
    section = symbol["st_shndx"]
    where = file.get_section(section).name if isinstance(section, int) else section
    return f"{symbol.name} {where} {symbol['st_value']}"


def has_variables_of_its_own(path: Path) -> bool:
    """Whether an object holds variables that no other object can see."""
    with path.open("rb") as stream:
        file = ELFFile(stream)
        tables = [section for section in file.iter_sections() if isinstance(section, SymbolTableSection)]
        return any(_is_own_variable(file, symbol) for table in tables for symbol in table.iter_symbols())


def _is_own_variable(file: ELFFile, symbol: Symbol) -> bool:
    kind, section = symbol["st_info"], symbol["st_shndx"]
    if kind["bind"] != "STB_LOCAL" or kind["type"] not in ("STT_OBJECT", "STT_TLS") or not isinstance(section, int):
        return False
    home = file.get_section(section)
    return bool(home["sh_flags"] & SH_FLAGS.SHF_WRITE) and not home.name.startswith(".data.rel.ro")
