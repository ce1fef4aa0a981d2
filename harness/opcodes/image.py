"""The probes as a linked ELF file, which any translator that reads such files can take.

Source: System V ABI chapters 4 and 5; its MIPS supplement 3rd ed. for ``e_flags`` (o32) and the n32 ABI handbook.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass

from harness.opcodes.code import assemble, instructions, labels
from harness.opcodes.control import CALLEE, callee
from harness.opcodes.probe import Probe

TEXT = 0x8000_1000
_PAGE = 0x1000
_ARCH_3, _ABI_O32, _ABI_N32 = 0x2000_0000, 0x1000, 0x20
_EXEC, _MIPS, _BIG, _ELF32, _CURRENT = 2, 8, 2, 1, 1
_PROGBITS, _SYMTAB, _STRTAB = 1, 2, 3
_WRITE, _ALLOC, _EXECUTE = 1, 2, 4
_FUNC_GLOBAL = 1 << 4 | 2


@dataclass(frozen=True, slots=True)
class Placed:
    """A function of the image: its symbol, address and words."""

    name: str
    address: int
    words: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Image:
    """All functions ascending by address, and the words of the tables at ``tables``."""

    functions: tuple[Placed, ...]
    tables: int
    data: tuple[int, ...]


def lay_out(probes: Sequence[Probe]) -> Image:
    """Gives every probe its address, behind the function that they call."""
    sizes = [4 * instructions(probe.code) for probe in probes]
    called = TEXT
    address = called + 4 * instructions(callee())
    addresses = []
    for size in sizes:
        addresses.append(address)
        address += size
    tables = -(-address // _PAGE) * _PAGE
    functions = [Placed(CALLEE, called, assemble(callee(), called, {}))]
    data: list[int] = []
    for probe, at in zip(probes, addresses, strict=True):
        outside = {CALLEE: called, "table": tables + 4 * len(data)}
        functions.append(Placed(probe.name, at, assemble(probe.code, at, outside)))
        places = labels(probe.code, at)
        data += [places[label] for label in probe.table]
    return Image(tuple(functions), tables, tuple(data))


def elf_file(image: Image, fr: bool) -> bytes:
    """The file: ELF32, big-endian; o32 for paired registers, n32 for flat ones."""
    code = b"".join(struct.pack(f">{len(f.words)}I", *f.words) for f in image.functions)
    data = struct.pack(f">{len(image.data)}I", *image.data)
    names, symbols = bytearray(1), bytearray(16)
    for function in image.functions:
        symbols += struct.pack(">IIIBBH", len(names), function.address, 4 * len(function.words), _FUNC_GLOBAL, 0, 1)
        names += function.name.encode() + b"\0"
    sections = [
        _Section(".text", _PROGBITS, _ALLOC | _EXECUTE, TEXT, code),
        _Section(".rodata", _PROGBITS, _ALLOC, image.tables, data),
        _Section(".symtab", _SYMTAB, 0, 0, bytes(symbols), link=4, info=1, entry=16),
        _Section(".strtab", _STRTAB, 0, 0, bytes(names)),
    ]
    return _file(sections, _ARCH_3 | (_ABI_N32 if fr else _ABI_O32))


@dataclass(frozen=True, slots=True)
class _Section:
    name: str
    type: int
    flags: int
    address: int
    data: bytes
    link: int = 0
    info: int = 0
    entry: int = 0


def _file(sections: Sequence[_Section], flags: int) -> bytes:
    """Header, a page for each loaded section and the others behind, then the section headers."""
    names = b"\0" + b"".join(section.name.encode() + b"\0" for section in sections) + b".shstrtab\0"
    every = [*sections, _Section(".shstrtab", _STRTAB, 0, 0, names)]
    loaded = [section for section in every if section.flags & _ALLOC]
    body, offsets = bytearray(_PAGE), []
    for section in every:
        body += bytes(-len(body) % (_PAGE if section in loaded else 16))
        offsets.append(len(body))
        body += section.data
    body += bytes(-len(body) % 16)
    headers = bytearray(40)
    for section, offset in zip(every, offsets, strict=True):
        name = names.index(b"\0" + section.name.encode() + b"\0") + 1
        align = _PAGE if section in loaded else 4
        where = (section.address, offset, len(section.data), section.link, section.info, align, section.entry)
        headers += struct.pack(">10I", name, section.type, section.flags, *where)
    segments = b"".join(
        struct.pack(">8I", 1, offset, s.address, s.address, len(s.data), len(s.data), 4 | s.flags >> 2 & 1, _PAGE)
        for s, offset in zip(every, offsets, strict=True)
        if s in loaded
    )
    identity = struct.pack(">4s4B8x", b"\x7fELF", _ELF32, _BIG, _CURRENT, 0)
    sizes = (52, 32, len(loaded), 40, len(every) + 1, len(every))
    header = identity + struct.pack(">HHIIIII6H", _EXEC, _MIPS, _CURRENT, TEXT, 52, len(body), flags, *sizes)
    body[: len(header)] = header
    body[len(header) : len(header) + len(segments)] = segments
    return bytes(body + headers)
