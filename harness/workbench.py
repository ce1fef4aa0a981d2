"""One build of a ``tally.toml``, opened: program, legs and states, ready to use."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path
from types import TracebackType
from typing import Self

from harness.abi import ABIS
from harness.check_function import Job
from harness.compare import Rules
from harness.config import Build, Fpu, Scope
from harness.config.hints import FunctionHints
from harness.coverage import Reach
from harness.engines.base import Engine, MachineState
from harness.engines.reference import Reference
from harness.engines.translated import Translated
from harness.engines.unicorn import Unicorn
from harness.errors import UsageError
from harness.program.disassembly import disassemble
from harness.program.load import load_program
from harness.program.model import Function, Program
from harness.program.outside import Surroundings
from harness.program.segments import Loading
from harness.results import Difference, Finding, LegInfo, Writer
from harness.states.model import Shape
from harness.states.shape import Search
from harness.store.cases import (
    Case,
    OutsideRecord,
    WriterRecord,
    image_hash,
    record_difference,
    record_state,
    save_case,
)
from harness.tally import Candidate
from harness.translated.build import Library, build_libraries
from harness.translated.translator import run_translator


@dataclass(frozen=True, slots=True)
class Limits:
    """How much is run for each function, and how much of the state after a call is compared.

    Units: ``fuel`` in guest instructions a call.
    """

    states: int
    fuel: int
    seed: int
    scope: Scope


class Workbench:
    """The rooms put together for one build. Opening it compiles what is not compiled yet.

    Errors: ``UsageError`` for whatever the user must change.
    """

    def __init__(self, build: Build) -> None:
        self.build = build
        self.abi = ABIS[build.guest.abi]
        self.fr = self.abi.fr if build.guest.fpu is None else build.guest.fpu is Fpu.FLAT
        self.program: Program = load_program(build.guest, Loading.of(build))
        self._around = Surroundings.of(build, self.program, self.abi)
        self.libraries: tuple[Library, ...] = ()
        if build.translated is not None:
            run_translator(build)
            outside = (*self._around.declared, *self._around.callees)
            program = self.program
            self.libraries = build_libraries(build, program.functions, outside, program.beyond, program.elsewhere)
            self._require_seen()
            self._around = self._around.completed(
                self.program,
                (address for library in self.libraries for address in library.undeclared),
                (address for library in self.libraries for address in library.unseen),
            )
        self.program = replace(self.program, around=self._around)
        self._reference = Reference()
        self.references: tuple[Engine, ...] = (self._reference, Unicorn())
        self.translations: tuple[Translated, ...] = tuple(Translated(build, library) for library in self.libraries)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Ends the legs."""
        for engine in (*self.references, *self.translations):
            engine.close()

    def try_out(self) -> None:
        """Loads each translation once: what is wrong with the whole of one is told before any function is checked.

        Errors: ``UsageError`` for C that cannot be loaded, or that has no function under the binding's names.
        """
        for library, translation in zip(self.libraries, self.translations, strict=True):
            if library.missing and not library.entries:
                raise UsageError(
                    f"{self.build.file} [translated.binding] function",
                    "names no function that the C has for others to call",
                    got=f"{translation.c_name(self.program.functions[0])} for {self.program.functions[0].name}",
                    help="`tallystick survey` says what the C lacks",
                )
            translation.start()

    def legs(self) -> tuple[LegInfo, ...]:
        """Names and versions of all legs, the references first."""
        return tuple(LegInfo(engine.name, engine.version) for engine in (*self.references, *self.translations))

    @property
    def around(self) -> Surroundings:
        """Everything outside of the program."""
        return self._around

    def compilers(self) -> tuple[str, ...]:
        """The compilers, or one empty name where only the references run."""
        return tuple(library.compiler.command for library in self.libraries) or ("",)

    def search(self, function: Function) -> Search:
        """The search for what ``function`` reads, as far as it came at once."""
        check = self.build.check
        hints = tuple(hint for one in self._told(function) for hint in one.hints)
        return Search(self.program, function, self.abi, self.fr, check.shapes, check.guidance, hints)

    def _told(self, function: Function) -> Iterator[FunctionHints]:
        """The tables of the file that tell of ``function``."""
        names = (function.name, *function.aliases)
        for one in self.build.functions:
            if any(fnmatchcase(name, one.pattern) for name in names):
                yield one

    def shape(self, function: Function) -> Shape:
        """What ``function`` reads."""
        return self.search(function).shape

    def candidates(self, function: Function) -> tuple[Candidate, ...]:
        """The translations of ``function``; those that do not have it say why."""
        return tuple(
            Candidate(library.compiler.command, engine, library.missing.get(function.address, ""))
            for library, engine in zip(self.libraries, self.translations, strict=True)
        )

    def _require_seen(self) -> None:
        """Refuses a binding under which calls of what the file names as outside could not be told.

        Errors: ``UsageError``.
        """
        names = {one.address: one.name for one in self._around.declared}
        for library in self.libraries:
            for address in sorted(library.unseen & names.keys()):
                raise UsageError(
                    f"{self.build.file} [external]",
                    "calls of a function that is static or hidden in the C cannot be told",
                    got=names[address],
                    help="make the function visible in the C, or leave its body out",
                )
        binding = self.build.translated.binding if self.build.translated else None
        if binding and not binding.function and (self._around.declared or self._around.callees):
            raise UsageError(
                f"{self.build.file} [translated.binding] function",
                "is empty, so that calls between functions cannot be told",
                expected="the C name of a guest function, where there are externals or isolated calls",
            )

    def job(self, function: Function, limits: Limits) -> Job:
        """What ``check_function`` needs for ``function`` besides its states."""
        target = self.program.target(function, self.fr)

        def save(before: MachineState, finding: Finding, candidate: Candidate | None) -> str:
            return shown_path(self._save(function, limits, before, finding, candidate))

        return Job(
            build=self.build.name,
            target=target,
            references=self.references,
            candidates=self.candidates(function),
            rules=Rules(limits.scope, self.abi),
            states=limits.states,
            fuel=limits.fuel,
            seed=limits.seed,
            accepted=next((one.accept for one in self._told(function) if one.accept), ""),
            reach=Reach(self.program.words(function)),
            save=save,
            writer=lambda before, difference: self._writer(before, difference, limits.fuel),
        )

    def _writer(self, before: MachineState, difference: Difference, fuel: int) -> Writer | None:
        """The guest instruction that wrote the place of ``difference`` last, by the reference's traced replay.

        Without one, or where the difference has no place, None. ``job``'s function must be loaded.
        """
        if difference.loc is None:
            return None
        step = None
        for one in self._reference.steps(before, fuel):
            if difference.loc in one.writes:
                step = one
        if step is None or step.insn is None:
            return None
        return Writer(step.address, disassemble(step.insn.word, step.address))

    @property
    def cases(self) -> Path:
        """The folder of saved cases."""
        return self.build.folder / ".tallystick" / "cases"

    def _save(
        self, function: Function, limits: Limits, before: MachineState, finding: Finding, candidate: Candidate | None
    ) -> Path:
        legs = [*self.references, *([candidate.engine] if candidate else [])]
        writer = finding.writer
        case = Case(
            config=os.path.relpath(self.build.file, self.cases),
            build=self.build.name,
            compiler=candidate.compiler if candidate else "",
            function=function.name,
            address=f"{function.address:016x}",
            image_hash=image_hash(self.program.regions),
            scope=limits.scope.value,
            fuel=limits.fuel,
            seed=limits.seed,
            legs={engine.name: engine.version for engine in legs},
            first_difference=record_difference(finding.difference),
            written_by=WriterRecord(address=f"{writer.address:016x}", text=writer.text) if writer else None,
            input={part.where: part.value for part in finding.inputs},
            before=record_state(before, self.program.regions),
            outside=OutsideRecord(
                calls=self.build.check.calls, external=self.build.externals, window=self.build.windows
            ),
        )
        return save_case(case, self.cases)


def shown_path(path: Path) -> str:
    """``path`` as the user would type it: seen from the current folder if it lies below."""
    with suppress(ValueError):
        return str(path.resolve().relative_to(Path.cwd()))
    return str(path)


def selected(program: Program, build: Build, pattern: str) -> tuple[Function, ...]:
    """The functions that the file includes and ``pattern`` picks (all where it is empty), ascending by address.

    Errors: ``UsageError`` for a pattern that matches no function of the image, or none of those included.
    """
    included = {function: None for one in build.check.include for function in program.find(one)}
    picked = program.find(pattern) if pattern else program.functions
    found = tuple(one for one in picked if one in included and one.segment == build.segment)
    if not found:
        where = f"{build.file} [check] include"
        raise UsageError(where, "leaves out every function that the pattern picks", got=f"'{pattern}'")
    return found


def excluded(build: Build, function: Function) -> str:
    """Why the file leaves ``function`` out; empty where it does not."""
    for external in build.externals:
        named = any(fnmatchcase(name, external.name) for name in (function.name, *function.aliases))
        if external.address == function.address or (external.address is None and named):
            return "outside: the file names it as external"
    for exclusion in build.check.exclude:
        if any(fnmatchcase(name, exclusion.pattern) for name in (function.name, *function.aliases)):
            return f"excluded: {exclusion.reason}"
    return ""
