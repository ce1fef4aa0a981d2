"""The pytest plugin: a ``tally.toml`` or ``corpus.toml`` that is named is collected, an item for each function.

It does nothing where no such file is named on the command line or in the ini option ``tally_files``, and imports
nothing of the harness before that: every run of pytest on this machine loads it.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from harness.config.corpus import Corpus, CorpusProgram
    from harness.listing import Listed
    from harness.pytest_checks import Checks, Verdicts

#: Files of these names are ours whatever is in them: what is wrong with one is told.
_NAMES = ("tally.toml", "corpus.toml")
#: Others are if they have one of these tables.
_TABLES = ("guest", "build", "program")

_CHECKS = pytest.StashKey["Checks"]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """Adds the options; they act on our items alone."""
    group = parser.getgroup("tallystick", "functions of a tally.toml or corpus.toml")
    group.addoption("--tally-seed", type=int, metavar="N", help="seed of everything random; as the file says otherwise")
    group.addoption("--tally-states", type=int, metavar="N", help="states for each function")
    parser.addini("tally_files", "patterns of tally.toml and corpus.toml files to collect, seen from here", "linelist")


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    """A collector for a file of ours that is named or configured."""
    if file_path.suffix != ".toml" or not (parent.session.isinitpath(file_path) or _is_configured(file_path, parent)):
        return None
    if file_path.name not in _NAMES and not _is_ours(file_path):
        return None
    made: TallyFile = TallyFile.from_parent(parent, path=file_path)
    return made


def pytest_unconfigure(config: pytest.Config) -> None:
    """Ends the worker process."""
    checks = config.stash.get(_CHECKS, None)
    if checks is not None:
        checks.close()


def _is_configured(path: Path, parent: pytest.Collector) -> bool:
    root = parent.config.rootpath
    inside = path.relative_to(root) if path.is_relative_to(root) else path
    return any(inside.match(pattern) for pattern in parent.config.getini("tally_files"))


def _is_ours(path: Path) -> bool:
    try:
        return any(table in tomllib.loads(path.read_text(encoding="utf-8-sig")) for table in _TABLES)
    except (OSError, ValueError):
        return False


def _checks(config: pytest.Config) -> Checks:
    """What runs the items of this process; begun with the first one."""
    from harness.pytest_checks import Checks

    if _CHECKS not in config.stash:
        config.stash[_CHECKS] = Checks(config.getoption("tally_seed"), config.getoption("tally_states"))
    return config.stash[_CHECKS]


class TallyFile(pytest.File):
    """A ``tally.toml``, whose items are functions, or a corpus, whose nodes are programs."""

    def collect(self) -> Iterator[pytest.Item | pytest.Collector]:
        """The programs of a corpus, or the functions of the only one."""
        from harness.config.corpus import is_corpus, load_corpus
        from harness.errors import UsageError

        try:
            corpus = load_corpus(self.path)
        except UsageError as error:
            raise self.CollectError(str(error)) from None
        for program in corpus.programs:
            for tag in program.tags:
                self.config.addinivalue_line("markers", f"{tag}: a tag of {self.path.name}")
            node = Program.from_parent(self, name=program.name, corpus=corpus, program=program)
            if is_corpus(tomllib.loads(self.path.read_text(encoding="utf-8-sig"))):
                yield node
            else:
                yield from node.collect(self)


class Program(pytest.Collector):
    """One program of a corpus."""

    def __init__(self, *, corpus: Corpus, program: CorpusProgram, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self._corpus, self._program = corpus, program
        for tag in program.tags:
            self.add_marker(tag)

    def collect(self, parent: pytest.Collector | None = None) -> Iterator[FunctionItem]:
        """Its functions, build by build; nothing is compiled for that."""
        from harness.config import load_config
        from harness.errors import UsageError
        from harness.listing import listed

        try:
            functions = listed(load_config(self._program.config))
        except UsageError as error:
            raise self.CollectError(str(error)) from None
        for one in functions:
            name = f"{one.name}[{one.build.name}]" if one.build.name else one.name
            yield FunctionItem.from_parent(
                parent or self, name=name, corpus=self._corpus, program=self._program, listed=one
            )


class FunctionItem(pytest.Item):
    """One function of one build, under all its compilers."""

    def __init__(self, *, corpus: Corpus, program: CorpusProgram, listed: Listed, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self._corpus, self._program, self._listed = corpus, program, listed

    def runtest(self) -> None:
        """Checks it: a difference fails, one that is known is an expected failure, and what says nothing is skipped."""
        if self._listed.left_out:
            self._tell(("not-run",), 0, 0)
            pytest.skip(self._listed.left_out)
        verdicts: Verdicts = _checks(self.config).verdicts(self._corpus, self._program, self._listed)
        self._tell(tuple(str(row.verdict) for row in verdicts.rows), verdicts.states, verdicts.compared)
        if verdicts.failure:
            pytest.fail(verdicts.failure, pytrace=False)
        if verdicts.known:
            pytest.xfail(verdicts.known)
        if verdicts.gap:
            pytest.skip(verdicts.gap)

    def _tell(self, verdicts: tuple[str, ...], states: int, compared: int) -> None:
        """What JUnit XML says of it besides."""
        self.user_properties += [("verdicts", ", ".join(verdicts)), ("states", states), ("compared", compared)]

    def reportinfo(self) -> tuple[Path, int | None, str]:
        """Where it stands."""
        return self.path, None, self.nodeid.partition("::")[2]
