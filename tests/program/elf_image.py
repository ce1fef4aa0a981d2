"""Builds small ELF files in memory, right or wrong on purpose (System V ABI, chapter 4; MIPS supplement)."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

PROGBITS, SYMTAB, STRTAB, NOBITS, MIPS_REGINFO = 1, 2, 3, 8, 0x7000_0006
WRITE, ALLOC, EXEC = 1, 2, 4
CODE, READ_ONLY, DATA = ALLOC | EXEC, ALLOC, ALLOC | WRITE
LOCAL, GLOBAL, WEAK = 0, 1, 2
NOTYPE, FUNC = 0, 2


@dataclass
class Section:
    """A section of the program; ``data`` None makes it NOBITS of ``size`` bytes."""

    name: str
    address: int
    data: bytes | None
    flags: int
    size: int = 0
    type: int = PROGBITS


@dataclass
class Sym:
    """A symbol; it is defined in the section with this number (1 is the first), 0 for an undefined one."""

    name: str
    value: int
    size: int = 0
    type: int = FUNC
    binding: int = GLOBAL
    section: int = 1


@dataclass
class Elf:
    """An ELF file; the defaults are a linked big-endian MIPS program of 32 bits without anything in it."""

    sections: list[Section] = field(default_factory=list)
    symbols: list[Sym] = field(default_factory=list)
    bits: int = 32
    order: str = ">"
    machine: int = 8
    type: int = 2
    entry: int = 0x8000_1000

    def build(self) -> bytes:
        """The bytes of the file."""
        wide = self.bits == 64
        strings = bytearray(b"\0")
        body = bytearray()
        start = 64 if wide else 52
        headers = [self._section_header(0, 0, 0, 0, 0, 0, 0, 0, 0)]

        def text(name: str) -> int:
            strings.extend(name.encode() + b"\0")
            return len(strings) - len(name) - 1

        def add(name: str, kind: int, flags: int, address: int, data: bytes, size: int, link: int, entry: int) -> None:
            headers.append(
                self._section_header(text(name), kind, flags, address, start + len(body), size, link, 0, entry)
            )
            body.extend(data)

        for one in self.sections:
            data = one.data or b""
            kind = NOBITS if one.data is None else one.type
            add(one.name, kind, one.flags, one.address, data, one.size or len(data), 0, 0)
        strings_at = len(self.sections) + 2
        table = self._symbol(0, Sym("", 0, 0, 0, 0, 0)) if self.symbols else b""
        table += b"".join(self._symbol(text(symbol.name), symbol) for symbol in self.symbols)
        add(".symtab", SYMTAB, 0, 0, table, len(table), strings_at, len(self._symbol(0, Sym("", 0))))
        name = text(".strtab")
        headers.append(self._section_header(name, STRTAB, 0, 0, start + len(body), len(strings), 0, 0, 0))
        body.extend(strings)
        return self._header(start + len(body), len(headers), strings_at) + bytes(body) + b"".join(headers)

    def _header(self, sections_at: int, count: int, strings_at: int) -> bytes:
        ident = b"\x7fELF" + bytes([2 if self.bits == 64 else 1, 2 if self.order == ">" else 1, 1]) + bytes(9)
        word = "Q" if self.bits == 64 else "I"
        sizes = (64, 56, 64) if self.bits == 64 else (52, 32, 40)
        return ident + struct.pack(
            f"{self.order}HHI3{word}I6H",
            *(self.type, self.machine, 1, self.entry, 0, sections_at, 0),
            *(sizes[0], sizes[1], 0, sizes[2], count, strings_at),
        )

    def _section_header(self, *fields: int) -> bytes:
        name, kind, flags, address, offset, size, link, info, entry = fields
        word = "Q" if self.bits == 64 else "I"
        return struct.pack(
            f"{self.order}II4{word}II2{word}", name, kind, flags, address, offset, size, link, info, 4, entry
        )

    def _symbol(self, name: int, symbol: Sym) -> bytes:
        info = symbol.binding << 4 | symbol.type
        if self.bits == 64:
            return struct.pack(f"{self.order}IBBHQQ", name, info, 0, symbol.section, symbol.value, symbol.size)
        return struct.pack(f"{self.order}IIIBBH", name, symbol.value, symbol.size, info, 0, symbol.section)
