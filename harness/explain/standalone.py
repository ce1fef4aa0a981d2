"""A case as one C file that compiles without the harness: for a report to whoever wrote the translator."""

from __future__ import annotations

import math
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined

from harness.config import MemoryOrder
from harness.engines.base import PAGE, InitialRegisters, MachineState
from harness.errors import UsageError
from harness.explain.states import judged
from harness.explain.tied import functions_of
from harness.explain.trace import traced
from harness.replaying import Opened, build_of, open_case
from harness.store.cases import load_case
from harness.translated import binding as bound
from harness.translated.build import matching
from harness.translated.c_source import CFile
from harness.translated.compiler import Compiler, shown
from harness.translated.symbols import Symbols, read_symbols
from harness.verdicts import DifferenceKind
from harness.workbench import Workbench, shown_path
from interp.optable import Loc

_HEAD = """/* {} at {:016x}: one case of tallystick, in one file.
 *
 *     {} FILE -lm && ./a.out
 *
 * calls the translated function once and prints what {}. Exit status 1 where that is not the same.
 * It went through the preprocessor of this machine.
 */
"""
_NOTHING = b"{ __builtin_trap(); }"
_TEMPLATES = Environment(
    loader=PackageLoader("harness.explain", "."),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
    autoescape=False,
)


def write_standalone(path: Path, file: Path) -> None:
    """Writes the case in the file at ``path`` as one C file.

    Errors: ``UsageError``.
    """
    case = load_case(path)
    with Workbench(build_of(case, path)) as bench:
        text = standalone(open_case(bench, case, path))
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(str(file), "cannot be written", got=(error.strerror or str(error)).lower()) from None


def standalone(opened: Opened) -> str:
    """The C file of a case.

    Errors: ``UsageError`` where what is outside has a part in the case, or its C cannot be put into one file.
    """
    translated, case = opened.bench.build.translated, opened.case
    first = judged(opened, opened.before)
    difference = first.judgement.difference
    stops = difference is not None and difference.kind in (DifferenceKind.CRASH, DifferenceKind.HANG)
    if translated is None or opened.candidate is None or difference is None or (difference.loc is None and not stops):
        kind = difference.kind if difference is not None else "no difference"
        raise UsageError(
            shown_path(opened.path),
            "cannot be put into one file",
            got=str(kind),
            expected=f"a difference in a {DifferenceKind.REGISTER} or in {DifferenceKind.MEMORY}, a crash or a hang",
        )
    if first.outcomes[0][1].outside:
        raise UsageError(
            shown_path(opened.path),
            "cannot be put into one file: what the function does outside is answered by the harness",
            got=first.outcomes[0][1].outside[0].where,
        )
    steps = traced(opened.job.target, first.before, opened.job.fuel)
    binding, before = translated.binding, opened.before
    functions = opened.bench.program.functions
    names = {bound.function_name(binding, one.name, one.address, one.segment): one for one in functions}
    executed = {one.address for one in functions_of(opened.bench.program, (step.address for step in steps))}
    kept = {name for name, one in names.items() if one.address in executed}
    compiler = Compiler.find(case.compiler, opened.bench.build.folder, shown_path(opened.path))
    one_file = _OneFile(opened, compiler, names.keys(), kept)
    own = bound.function_name(binding, opened.function.name, opened.function.address, opened.function.segment)
    swapped = binding.memory_order is MemoryOrder.WORD_SWAPPED
    loc = difference.loc or ("mem", 0)
    digits = len(difference.values[0][1])
    what = "it comes to: it should return" if stops else f"{difference.where} should hold and what it holds"
    head = _HEAD.format(opened.function.name, opened.function.address, case.compiler, what)
    text = _TEMPLATES.get_template("standalone.c.jinja").render(
        where=difference.where,
        c=one_file.text(),
        declare=binding.declare,
        words=list(_words(before, binding.memory_base, {word for step in steps for word in _touched(step.access)})),
        swapped=swapped,
        setup=bound.setup_text(binding),
        registers=_registers(opened),
        call=bound.call_text(binding, own, opened.function.address),
        lvalue=_lvalue(opened, loc),
        position=(loc[1] - binding.memory_base) & 0xFFFF_FFFF,
        mask=(1 << 4 * digits) - 1,
        digits=digits,
        expected=0 if stops else int(difference.values[0][1], 16),
        stops=stops,
        regions=list(_regions(before, binding.memory_base)) if stops else [],
        seconds=math.ceil(translated.seconds),
    )
    return head + one_file.preprocessed(text)


def _touched(access: tuple[int, int, bool] | None) -> Iterable[int]:
    """The pages of an access."""
    return range(access[0] & -PAGE, access[0] + access[1], PAGE) if access is not None else ()


def _words(before: MachineState, base: int, pages: set[int]) -> Iterable[tuple[int, int]]:
    """The words that are not zero, of what can be written and of all pages that the run touched."""
    for region in before.memory:
        for start in range(0, len(region.data), PAGE):
            page = region.data[start : start + PAGE]
            if not any(page) or not (region.writable or region.address + start in pages):
                continue
            for offset in range(0, PAGE, 4):
                word = int.from_bytes(page[offset : offset + 4], "big")
                if word:
                    yield (region.address + start + offset - base) & 0xFFFF_FFFF, word


def _regions(before: MachineState, base: int) -> Iterable[tuple[int, int, str]]:
    """What the guest has of memory: position, size in whole pages of the host, and what may be done there."""
    for region in before.memory:
        first = (region.address - base) & 0xFFFF_FFFF & -PAGE
        size = (region.address - base) % PAGE + len(region.data)
        yield first, -(-size // PAGE) * PAGE, "PROT_READ | PROT_WRITE" if region.writable else "PROT_READ"


def _registers(opened: Opened) -> list[tuple[str, int]]:
    """The lvalues that the binding gives registers, with their values before the call."""
    assert opened.bench.build.translated is not None  # the caller has looked
    start = InitialRegisters.of(opened.before)
    files = {"gpr": start.gpr, "fpr": start.fpr}
    values = []
    for one in bound.bound_registers(opened.bench.build.translated.binding, opened.before.fr):
        file, _, number = one.field.partition("[")
        value = files[file][int(number.rstrip("]"))] if file in files else getattr(start, file)
        values.append((one.lvalue, value if one.field != "gpr[0]" else 0))
    return values


def _lvalue(opened: Opened, loc: Loc) -> str:
    """The C of a register; empty for memory."""
    assert opened.bench.build.translated is not None  # the caller has looked
    field = f"{loc[0]}[{loc[1]}]" if loc[0] in ("gpr", "fpr") else loc[0]
    bindings = bound.bound_registers(opened.bench.build.translated.binding, opened.before.fr)
    return next((one.lvalue for one in bindings if one.field == field), "")


class _OneFile:
    """The C of some functions and all that they need, through the preprocessor."""

    def __init__(self, opened: Opened, compiler: Compiler, guest: Iterable[str], kept: set[str]) -> None:
        build = opened.bench.build
        assert build.translated is not None  # the caller has looked
        self._translated = build.translated
        self._compiler = compiler
        self._guest = set(guest)
        self._kept = kept
        paths = matching(build.translated.sources, build.folder, f"{build.file} [translated] sources")
        self._chosen: list[CFile] = []
        self._files = [CFile(path, path.read_bytes()) for path in paths]

    def text(self) -> str:
        """The text; functions of the guest that the case does not call do nothing but trap.

        Errors: ``UsageError`` where the compiler does not take it.
        """
        chosen = [file for file in self._files if any(one.name in self._kept for one in file.functions)]
        while True:
            self._chosen = chosen
            text = b"\n".join(map(self._cut, chosen)).decode(errors="replace")
            lacking = self._symbols(self.preprocessed(text)).undefined
            more = [one for one in self._files if one not in chosen and self._defines(one, lacking)]
            if not more:
                break
            chosen = [*chosen, *more]
        stubs = sorted(lacking & self._guest)
        declared = (bound.prototype_text(self._translated.binding, name) for name in stubs)
        return "\n".join([text, *(f"{one} {{ __builtin_trap(); }}" for one in declared)])

    def preprocessed(self, text: str) -> str:
        """A C text without directives."""
        with tempfile.TemporaryDirectory(prefix="standalone-") as folder:
            source = Path(folder, "all.c")
            source.write_text(text)
            return self._run(["-E", "-P", str(source)])

    def _symbols(self, text: str) -> Symbols:
        """What a C text defines and uses, as the compiler sees it."""
        with tempfile.TemporaryDirectory(prefix="standalone-") as folder:
            source, made = Path(folder, "whole.c"), Path(folder, "whole.o")
            source.write_text(text)
            self._run(["-w", "-c", str(source), "-o", str(made)])
            return read_symbols([made])

    def _cut(self, file: CFile) -> bytes:
        """A file in which functions of the guest that are not called have no bodies."""
        unused = [one for one in file.functions if one.name in self._guest - self._kept]
        bodies = {part.body for one in unused for part in file.parts(one)}
        return file.changed((body.start_byte, body.end_byte, _NOTHING) for body in bodies)

    def _defines(self, file: CFile, names: frozenset[str]) -> bool:
        """Whether a file has what is lacking: functions or variables that are none of the guest's."""
        return bool(
            self._symbols(self.preprocessed(self._cut(file).decode(errors="replace"))).defined & names - self._guest
        )

    def _run(self, arguments: Sequence[str]) -> str:
        include = [f"-I{folder.resolve()}" for folder in self._translated.include]
        beside = [word for file in self._chosen for word in ("-iquote", str(file.path.parent))]
        command = [*self._compiler.words, *include, *beside, *arguments]
        said = subprocess.run(command, cwd=self._compiler.folder, capture_output=True, text=True, check=False)
        if said.returncode != 0:
            raise UsageError(
                "the C of this case", "does not compile as one file", got=shown(said.stderr).partition("\n")[0]
            )
        return said.stdout
