"""From the translated C of one build to a shared library that the worker can load, for each compiler."""

from __future__ import annotations

import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from glob import glob
from pathlib import Path

from harness.config import Binding, Build, Translated
from harness.errors import UsageError
from harness.translated.binding import function_name
from harness.translated.cache import alone, digest, is_kept, keep, sweep
from harness.translated.compiler import Compiler, CompilerRefusal, shown
from harness.translated.crossings import Crossings, NamedFunction
from harness.translated.glue import GLUE, Entry, StandIn, glue_text, origin
from harness.translated.symbols import Symbols, read_symbols

#: Why a guest function cannot be called.
MISSING = "translated function missing from the C"
STATIC = "translated function is static in the C"
SHARED = "several functions have this name in the C"

_HERE = Path(__file__).parent
_WORKER_SOURCES = (_HERE / "worker.c", _HERE / "host_runtime.c", _HERE / "outside.c")

#: What compilers and sanitizers bring along themselves; never a function of the guest.
_RESERVED = re.compile(r"__\w+san_|__sanitizer_|_GLOBAL_OFFSET_TABLE_$")

#: What is refused where no source is to blame alone, and how linkers say why (GNU ld, gold, lld, mold).
LINKING = "linking"
_LINKER_ERROR = re.compile(r"(?:multiple definition of|duplicate symbol:|undefined|cannot find|unable to find).*")

#: How linkers name what they cannot find (GNU ld, gold, lld, mold).
_UNDEFINED = re.compile(r"undefined (?:reference to|symbol:) [`']?(\w+)")


@dataclass(frozen=True, slots=True)
class Library:
    """The compiled C of one build under one compiler.

    ``entries`` gives the number of each callable function by guest address, ``missing`` the reason for each that
    cannot be called; ``externals`` are the functions that the C calls and no source defines, ascending.
    ``boundaries`` gives the number of each function outside of what is tested by guest address, ``undeclared`` those
    of them that only the C's lack of them made so, and ``unseen`` those whose calls cannot be told in this C.
    ``parts`` are the objects that it was linked from.
    """

    path: Path
    worker: Path
    compiler: Compiler
    entries: dict[int, int]
    missing: dict[int, str]
    externals: tuple[str, ...]
    boundaries: dict[int, int] = field(default_factory=dict)
    undeclared: tuple[int, ...] = ()
    unseen: frozenset[int] = frozenset()
    parts: tuple[Path, ...] = ()


def build_libraries(
    build: Build,
    functions: Sequence[NamedFunction],
    outside: Sequence[NamedFunction] = (),
    beyond: Sequence[NamedFunction] = (),
    elsewhere: Sequence[NamedFunction] = (),
) -> tuple[Library, ...]:
    """One library for each compiler of the build, in their order; what was compiled before is used again.

    Calls of ``outside`` go to the harness; so do those of other functions, and of names ``beyond`` the image, that the
    C calls and does not have. A C name that a function ``elsewhere`` has too, in another segment, stands for neither.

    Errors: ``UsageError`` for sources that match nothing, a compiler that is absent, C that does not compile.
    """
    translated = build.translated
    if translated is None:
        raise UsageError(
            str(build.file), "no [translated] table", help="say where the translated C is and how it is bound"
        )
    sources = matching(translated.sources, build.folder, f"{build.file} [translated] sources")
    store = build.folder / ".tallystick" / "build"
    try:
        store.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=store):
            pass
    except OSError as error:
        raise UsageError(
            str(store),
            "cannot be written",
            got=(error.strerror or str(error)).lower(),
            help=f"compiled C is kept there: make {build.folder.resolve()} writable, or work on a copy of it",
        ) from None
    where = f"{build.file} [translated] compilers"
    compilers = [Compiler.find(command, build.folder, where) for command in translated.compilers]
    store = store.resolve()
    with alone(store):  # or two processes at once would each compile the same
        libraries = tuple(
            _Linking(build, translated, one, store, elsewhere).library(sources, functions, outside, beyond)
            for one in compilers
        )
        sweep(store)
    return libraries


def matching(patterns: Iterable[str], folder: Path, where: str) -> list[Path]:
    """The files that ``patterns`` name, seen from ``folder``; absolute, each once, in a fixed order.

    Errors: ``UsageError`` at ``where`` for a pattern without a file.
    """
    found: dict[Path, None] = {}
    for pattern in patterns:
        names = sorted(glob(pattern, root_dir=folder, recursive=True))
        files = [(folder / name).resolve() for name in names if (folder / name).is_file()]
        if not files:
            raise UsageError(
                where,
                "no file matches",
                got=f"'{pattern}'",
                expected=f"a file or shell pattern seen from {folder}",
                help="correct the pattern, or run the translator first",
            )
        found.update(dict.fromkeys(files))
    return list(found)


@dataclass(frozen=True, slots=True)
class _Linking:
    """One build under one compiler, on its way to a library."""

    build: Build
    translated: Translated
    compiler: Compiler
    store: Path
    elsewhere: Sequence[NamedFunction]

    def library(
        self,
        sources: Sequence[Path],
        functions: Sequence[NamedFunction],
        outside: Sequence[NamedFunction],
        beyond: Sequence[NamedFunction],
    ) -> Library:
        objects = self.objects(sources)
        symbols = read_symbols(objects)
        entries, missing = self.entries(functions, symbols)
        crossings = Crossings(self.translated.binding, symbols, outside, (*functions, *beyond))
        path, externals, parts = self.linked(objects, list(entries.values()), symbols, crossings)
        try:
            worker = self.compiler.link_worker(_WORKER_SOURCES, self.store)
        except CompilerRefusal as failure:
            raise self.refused(failure, "the worker program") from None
        numbers = {address: number for number, address in enumerate(entries)}
        boundaries = {one.address: number for number, one in enumerate(crossings.all)}
        undeclared = tuple(one.address for one in crossings.found)
        return Library(
            path=path,
            worker=worker,
            compiler=self.compiler,
            entries=numbers,
            missing=missing,
            externals=externals,
            boundaries=boundaries,
            undeclared=undeclared,
            unseen=crossings.unseen,
            parts=tuple(parts),
        )

    def objects(self, sources: Sequence[Path]) -> list[Path]:
        include = [folder.resolve() for folder in self.translated.include]

        def compiled(source: Path) -> Path:
            try:
                text = source.read_bytes()
            except OSError as error:
                raise UsageError(str(source), "cannot be read", got=(error.strerror or str(error)).lower()) from None
            try:
                return self.compiler.compile(source, text, include, self.store)
            except CompilerRefusal as failure:
                raise self.refused(failure, str(source)) from None

        with ThreadPoolExecutor(os.cpu_count()) as pool:
            return list(pool.map(compiled, sources))

    def entries(self, functions: Sequence[NamedFunction], symbols: Symbols) -> tuple[dict[int, Entry], dict[int, str]]:
        """The functions that the glue can call, and why not for the others; by guest address."""
        binding = self.translated.binding
        by_name = "{function}" in binding.call
        names = [function_name(binding, one.name, one.address, one.segment) for one in (*functions, *self.elsewhere)]
        shared = Counter(names)
        entries: dict[int, Entry] = {}
        missing: dict[int, str] = {}
        for function in functions:
            name = function_name(binding, function.name, function.address, function.segment)
            if by_name and shared[name] > 1:
                missing[function.address] = SHARED
            elif not name or name in symbols.defined or (name in symbols.static and not by_name):
                entries[function.address] = Entry(name, function.address)
            else:
                missing[function.address] = STATIC if name in symbols.static else MISSING
        return entries, missing

    def linked(
        self, objects: Sequence[Path], entries: Sequence[Entry], symbols: Symbols, crossings: Crossings
    ) -> tuple[Path, tuple[str, ...], list[Path]]:
        """The library's file, the functions that only the glue defines, and the objects linked.

        The linker alone knows what the C and compiler libraries resolve, so it is asked: a first link refuses
        undefined symbols, and those of our own that it names become stand-ins.
        """
        ours = {name for name in symbols.undefined if not _RESERVED.match(name)}
        parts = [*objects, self.glue(entries, crossings.stand_ins, ())]
        path = self.path_of(parts)
        if is_kept(path):
            return path, crossings.lacking, parts
        try:
            self.compiler.link(parts, path, ["-Wl,-z,defs"])
        except CompilerRefusal as failure:
            externals = ours & set(_UNDEFINED.findall(failure.words))
            if not externals:
                raise self.refused(failure, LINKING) from None
        else:
            return path, crossings.lacking, parts
        self.require_prototype(sorted(externals), "and the C calls functions that no source defines")
        rest = crossings.find(externals)
        parts = [*objects, self.glue(entries, crossings.stand_ins, rest)]
        path = self.path_of(parts)
        if not is_kept(path):
            try:
                self.compiler.link(parts, path)
            except CompilerRefusal as failure:
                raise self.refused(failure, LINKING) from None
        return path, tuple(sorted({*crossings.lacking, *rest})), parts

    def require_prototype(self, names: Sequence[str], why: str) -> None:
        """Stand-ins need a declaration.

        Errors: ``UsageError`` where the binding has none.
        """
        if names and not self.translated.binding.prototype:
            raise UsageError(
                f"{self.build.file} [translated.binding] prototype",
                f"missing key, {why}",
                got=", ".join(names[:5]),
                help="add their sources, or give prototype so that a call of one is reported",
            )

    def path_of(self, parts: Sequence[Path]) -> Path:
        """Name of the library made of ``parts``; objects are already named by content."""
        return (
            self.store / f"lib-{digest(self.compiler.version, self.compiler.command, *(p.name for p in parts))[:32]}.so"
        )

    def glue(self, entries: Sequence[Entry], stand_ins: Sequence[StandIn], externals: Sequence[str]) -> Path:
        """The object of the glue. Its warnings are ours or the binding's, and of no use to anybody."""
        self.require_prototype([one.function for one in stand_ins], "and calls of functions outside are to be seen")
        text = glue_text(self.build, self.translated, entries, stand_ins, externals).encode()
        source = self.store / f"glue-{digest(text)[:32]}.c"
        if not is_kept(source):
            made = source.with_suffix(f".{os.getpid()}")
            made.write_bytes(text)
            keep(made, source)
        include = [*(folder.resolve() for folder in self.translated.include), _HERE]
        try:
            return self.compiler.compile(source, text, include, self.store, ["-w"])
        except CompilerRefusal as failure:
            raise self.refused(failure, str(source)) from None

    def refused(self, failure: CompilerRefusal, what: str) -> UsageError:
        """What the user reads when the compiler says no: the key or file to mend, and the compiler's own words."""
        words = failure.words
        error = re.search(r"(?m)^(.*?):(\d+)(?::\d+)?: (?:fatal )?error: (.*)$", words)
        if what == LINKING:
            found = _LINKER_ERROR.search(words)
            return UsageError(
                f"{self.build.file} [translated] sources",
                f"do not link with {self.compiler.command}",
                got=found[0].strip() if found else shown(words).partition("\n")[0],
                help=f"the linker said:\n{shown(words)}",
            )
        where, said = (f"{error[1]}:{error[2]}", error[3]) if error else (what, shown(words).partition("\n")[0])
        origins = [origin(self.build, key) for key in (*Binding.model_fields, "headers")]
        if error and error[1] in (*origins, GLUE):
            # An error inside a macro of the glue stands at the macro; a note names the key.
            named = (key for line in words.splitlines() for key in origins if line.startswith(f"{key}:"))
            where = next(named, where)
        inside = re.search(r"[Ii]n function ['`](\w+)'", words)
        place = f", in function {inside[1]}" if inside and not inside[1].startswith("tally_") else ""
        return UsageError(
            where,
            f"does not compile with {self.compiler.command}{place}",
            got=said,
            help=f"the compiler said:\n{shown(words)}",
        )
