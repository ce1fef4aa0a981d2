"""Runs a C compiler: objects and libraries under names made from everything they depend on."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.errors import UsageError
from harness.translated.cache import digest, is_kept, keep

#: Always given: the harness makes a shared library whose functions later can be replaced one by one, so that none may
#: be hidden but by its own declaration.
_SHARED = ("-fPIC", "-fsemantic-interposition", "-fvisibility=default")

#: Options of the user's command that the worker process must share with the library it loads.
_SHARED_BY_WORKER = ("-fsanitize", "-m", "--target", "-static-lib")

#: Lines of a compiler's message that an error shows.
_SHOWN_LINES = 12


class CompilerRefusal(Exception):  # noqa: N818 - an answer of the compiler, turned into an error where its cause is known
    """A compiler or linker said no: ``words`` are its own."""

    def __init__(self, words: str) -> None:
        self.words = words
        super().__init__(words)


@dataclass(frozen=True, slots=True)
class Compiler:
    """A compiler command of ``tally.toml``, found to exist.

    ``folder`` is where it runs, so that relative options mean what they say in the file; ``version`` is the first
    line it says about itself.
    """

    command: str
    words: tuple[str, ...]
    folder: Path
    version: str

    @classmethod
    def find(cls, command: str, folder: Path, where: str) -> Compiler:
        """The compiler that ``command`` names.

        Errors: ``UsageError`` at ``where`` for one that is not there or does not answer.
        """
        try:
            words = tuple(shlex.split(command))
        except ValueError as error:
            raise UsageError(where, "not a command line", got=repr(command), help=str(error).lower()) from None
        if not words or shutil.which(words[0]) is None:
            raise UsageError(
                where,
                "compiler not found",
                got=words[0] if words else "an empty command",
                expected="a C compiler on the PATH",
                help="install it (Debian: apt install gcc), or name another one under [translated] compilers",
            )
        said = _run([*words, "--version"], folder)
        if said.returncode != 0:
            raise UsageError(
                where,
                "compiler does not answer --version",
                got=shown(said.stderr) or f"exit status {said.returncode}",
                expected="its version",
            )
        return cls(command, words, folder, said.stdout.splitlines()[0].strip() if said.stdout.strip() else "unknown")

    def compile(
        self, source: Path, text: bytes, include: Sequence[Path], store: Path, extra: Sequence[str] = ()
    ) -> Path:
        """The object of ``source``, whose content is ``text``; compiled if ``store`` does not have it yet.

        Errors: ``CompilerRefusal``.
        """
        command = [*self.words, *_SHARED, *(f"-I{folder}" for folder in include), *extra]
        unit = digest(self.version, *command, str(source), text)
        known = store / f"{unit}.inputs"
        if known.exists():
            found = _object_name(store, unit, json.loads(known.read_text()))
            if found is not None and is_kept(found) and is_kept(known):
                return found
        with tempfile.TemporaryDirectory(dir=store) as scratch:
            made, depends = Path(scratch, "made.o"), Path(scratch, "made.d")
            said = _run([*command, "-MD", "-MF", str(depends), "-c", str(source), "-o", str(made)], self.folder)
            if said.returncode != 0:
                raise CompilerRefusal(said.stderr)
            inputs = [str(self.folder / name) for name in _inputs(depends.read_text()) if Path(name) != source]
            name = _object_name(store, unit, inputs)
            if name is None:
                raise CompilerRefusal(f"a header of {source} vanished while it was compiled")
            keep(made, name)
            noted = Path(scratch, "made.inputs")
            noted.write_text(json.dumps(inputs))
            keep(noted, known)
        return name

    def link(self, objects: Sequence[Path], name: Path, extra: Sequence[str] = ()) -> None:
        """Makes the shared library ``name``.

        Errors: ``CompilerRefusal``.
        """
        libraries = [word for word in self.words if word.startswith(("-l", "-L"))]
        options = [*self.words, "-shared", "-fPIC", "-Wl,-z,now", *extra]
        self._link([*options, *map(str, objects), *libraries, "-lm"], name)

    def link_worker(self, sources: Sequence[Path], store: Path) -> Path:
        """The worker program, made with the same compiler and those options that a library and its loader share.

        Errors: ``CompilerRefusal``.
        """
        launcher = [word for word in self.words if not word.startswith("-")]
        shared = [word for word in self.words if word.startswith(_SHARED_BY_WORKER)]
        options = [*launcher, *shared, "-std=gnu11", "-O2", "-w", "-U_FORTIFY_SOURCE"]
        texts = [path.read_bytes() for source in sources for path in (source, *source.parent.glob("*.h"))]
        name = store / f"worker-{digest(self.version, *options, *texts)[:16]}"
        if not is_kept(name):
            self._link([*options, *map(str, sources), "-ldl", "-lm"], name)
        return name

    def _link(self, command: list[str], name: Path) -> None:
        with tempfile.TemporaryDirectory(dir=name.parent) as scratch:
            made = Path(scratch, name.name)
            said = _run([*command, "-o", str(made)], self.folder)
            if said.returncode != 0:
                raise CompilerRefusal(said.stderr)
            keep(made, name)


def shown(words: str) -> str:
    """The lines of a compiler's message that an error shows."""
    lines = [line for line in words.splitlines() if line.strip()]
    more = [f"... and {len(lines) - _SHOWN_LINES} more lines"] if len(lines) > _SHOWN_LINES else []
    return "\n".join(lines[:_SHOWN_LINES] + more)


def _run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    """Runs a compiler that speaks English, so that its messages can be read."""
    return subprocess.run(
        command,
        cwd=folder,
        env={**os.environ, "LC_ALL": "C"},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )


def _object_name(store: Path, unit: str, inputs: list[str]) -> Path | None:
    """The name an object has with these headers as they are now; None where one of them is gone."""
    try:
        return store / f"{digest(unit, *(Path(name).read_bytes() for name in inputs))[:32]}.o"
    except OSError:
        return None


def _inputs(rule: str) -> list[str]:
    """File names of a make rule as compilers write it: ``target: a.c b.h \\`` with spaces escaped."""
    names = re.sub(r"\\\n", " ", rule).partition(": ")[2]
    return [re.sub(r"\\(.)", r"\1", name).replace("$$", "$") for name in re.findall(r"(?:\\.|\S)+", names)]
