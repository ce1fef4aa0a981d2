"""The translated C with a look at what it holds before each tied statement, compiled as the user compiles it.

Only the functions at hand keep their bodies in what is compiled anew; the linker takes them before the objects that are
there already. The looks are calls, so that values are in their places there, whatever the optimisation.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from harness.config import Build
from harness.errors import HarnessError
from harness.explain.names import hinted
from harness.explain.ties import Tie, file_of, ties_of
from harness.opcodes.score_build import has_variables_of_its_own
from harness.program.model import Function
from harness.translated.binding import function_name
from harness.translated.build import Library, matching
from harness.translated.c_source import CFile, CFunction
from harness.translated.cache import digest, is_kept, keep

_TIE_H = Path(__file__).parents[1] / "translated" / "tie.h"

#: The linker takes what it finds first, and keeps still about the rest.
_FIRST_COUNTS = ("-Wl,-z,muldefs",)
#: Variables that nothing names are left out, those that nothing writes stay variables.
_PLAINEST = ("-O0", "-ftoplevel-reorder")


@dataclass(frozen=True, slots=True)
class TiedFunction:
    """A guest function, its C, and the ties found in it."""

    guest: Function
    c: CFunction
    ties: tuple[Tie, ...]


@dataclass(frozen=True, slots=True)
class Watched:
    """A library that stops at ties; the number of a tie is its place in ``ties``."""

    library: Library
    ties: tuple[Tie, ...]
    owners: tuple[TiedFunction, ...]  # of each tie
    mends: bool = False  # whether what is wrong at a tie may be put right there


@dataclass(frozen=True, slots=True)
class _Job:
    """One file to be compiled: the bodies that are left out of it, and the looks that are put in."""

    file: CFile
    cuts: list[tuple[int, int, bytes]]
    looks: list[tuple[int, int, bytes]]


class Sources:
    """The C of one build as syntax trees, parsed as far as it is asked for."""

    def __init__(self, build: Build) -> None:
        if build.translated is None:
            raise HarnessError(str(build.file), "no translated C to look at")
        self.build = build
        self.translated = build.translated
        self._paths = matching(self.translated.sources, build.folder, f"{build.file} [translated] sources")
        self._files: dict[Path, CFile] = {}
        self._found: dict[int, TiedFunction | None] = {}
        self._divided: dict[tuple[Path, str], list[CFunction]] = {}

    def of(self, function: Function) -> TiedFunction | None:
        """The C of a guest function; None where it is not found under the binding's name."""
        if function.address not in self._found:
            self._found[function.address] = self._find(function)
        return self._found[function.address]

    def cuts(self, kept: Sequence[CFunction]) -> list[tuple[int, int, bytes]]:
        """The changes that leave of the functions of a file only ``kept`` bodies, and those that they lead to.

        What others call alone goes with them: nothing is left that names it.
        """
        file = kept[0].file
        names = {one.name for one in file.functions}
        own = {part.node.start_byte for one in kept for part in file.parts(one)}
        cut = set.intersection(*(set(file.cuts(one, names)) for one in kept))
        starts = {start for start, _, _ in cut}
        for other in (one for one in file.functions if one.body.start_byte in starts):
            parts = (one for one in self._parts(other) if one.node.start_byte not in own)
            cut |= {(one.body.start_byte, one.body.end_byte, b";") for one in parts}
        return sorted(cut)

    def _parts(self, function: CFunction) -> list[CFunction]:
        key = function.file.path, function.name
        if key not in self._divided:
            self._divided[key] = function.file.parts(function)
        return self._divided[key]

    def _find(self, function: Function) -> TiedFunction | None:
        name = function_name(self.translated.binding, function.name, function.address, function.segment)
        c = file_of(name, self._paths, self._files) if name else None
        if c is None:
            return None

        def holds(address: int) -> bool:
            return function.address <= address < function.end and address % 4 == 0

        return TiedFunction(function, c, tuple(ties_of(c, c.file.parts(c), holds)))


def watch(
    sources: Sources,
    functions: Iterable[TiedFunction],
    library: Library,
    extra: Sequence[str] = (),
    mends: bool = False,
) -> Watched:
    """The library with looks at the ties of ``functions``; ``extra`` are options added to the user's.

    With ``mends`` variables take what the harness puts into them.

    Errors: ``CompilerRefusal``.
    """
    ties: list[Tie] = []
    owners: list[TiedFunction] = []
    jobs: list[_Job] = []
    by_file: dict[Path, list[TiedFunction]] = {}
    for one in functions:
        by_file.setdefault(one.c.file.path, []).append(one)
    for watched in by_file.values():
        looks = []
        for one in watched:
            looks += [(tie.offset, tie.offset, _look(len(ties) + n, tie, mends)) for n, tie in enumerate(one.ties)]
            ties += one.ties
            owners += [one] * len(one.ties)
        jobs.append(_Job(watched[0].c.file, sources.cuts([one.c for one in watched]), looks))
    store = library.path.parent
    texts = (job.file.changed([*job.cuts, *job.looks]) for job in jobs)
    path = store / f"watch-{digest(library.path.name, *extra, *texts)[:32]}.so"
    if not is_kept(path):
        made = [_object(sources, job, library, extra) for job in jobs]
        library.compiler.link([*made, *library.parts], path, _FIRST_COUNTS)
    return Watched(replace(library, path=path), tuple(ties), tuple(owners), mends)


def _look(number: int, tie: Tie, mends: bool) -> bytes:
    """The statement that shows what the C holds at a tie; registers that it keeps in variables may be put right."""
    if not tie.variables:
        return f"tally_tie({number}u, 0u, 0, 0); ".encode()
    taking = [name for name in tie.variables if mends and hinted(name) is not None]
    before = "".join(f"__typeof__({name}) tally_{name} = {name}; " for name in taking)
    after = "".join(f"{name} = tally_{name}; " for name in taking)
    copies = ", ".join(f"&tally_{name}" if name in taking else f"TALLY_COPY({name})" for name in tie.variables)
    sizes = ", ".join(f"TALLY_BYTES({name})" for name in tie.variables)
    count = len(tie.variables)
    call = f"tally_tie({number}u, {count}u, (void *const []){{{copies}}}, (const unsigned char []){{{sizes}}}); "
    return (f"{{ {before}{call}{after}}} " if taking else call).encode()


def _object(sources: Sources, job: _Job, library: Library, extra: Sequence[str]) -> Path:
    """The object of one file in which only the functions at hand have bodies.

    A function that needs variables of its file that no other file can see would get copies of its own: then the whole
    file is compiled.
    """
    cuts = job.cuts
    if cuts and _may_have_variables(job.file):
        found = _compiled(sources, job.file, [*cuts, *job.looks], library, (*extra, *_PLAINEST))
        if has_variables_of_its_own(found):
            cuts = []
    return _compiled(sources, job.file, [*cuts, *job.looks], library, extra)


def _may_have_variables(file: CFile) -> bool:
    """Whether a file may hold variables that no other file can see: something is static there and not constant."""
    declarations = (node.text or b"" for node in file.root.children if node.type == "declaration")
    at_top = any(b"static" in text and b"const" not in text for text in declarations)
    return at_top or any(b"static" in (one.body.text or b"") for one in file.functions)


def _compiled(
    sources: Sources, file: CFile, changes: list[tuple[int, int, bytes]], library: Library, extra: Sequence[str]
) -> Path:
    text = file.changed(changes)
    store = library.path.parent
    source = store / f"watch-{digest(text)[:32]}.c"
    if not is_kept(source):
        partial = source.with_suffix(".partial")
        partial.write_bytes(text)
        keep(partial, source)
    include = [folder.resolve() for folder in sources.translated.include]
    beside = ["-w", "-iquote", str(file.path.parent), "-include", str(_TIE_H), *extra]
    return library.compiler.compile(source, text, include, store, beside)
