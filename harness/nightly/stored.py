"""The saved cases of a corpus, each run again: on workbenches that stay open in worker processes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from harness.config.corpus import CorpusProgram
from harness.errors import TallystickError, UsageError
from harness.nights import FindingKey, Subject, finding_key
from harness.pool import run_all
from harness.replaying import build_of, run_case
from harness.results import FunctionResult, Writer
from harness.store.cases import Case, load_case, recorded_difference, sweep_partial
from harness.verdicts import Verdict
from harness.workbench import Workbench, shown_path

#: Names that functions have in a corpus, by program, build and address.
Names = dict[tuple[str, str, int], str]


@dataclass(frozen=True, slots=True)
class Stored:
    """One saved case of a program; ``key`` is what it showed when it was saved."""

    path: Path
    case: Case
    key: FindingKey

    @property
    def name(self) -> str:
        """Its name in the history and in ``known.toml``."""
        return self.path.stem


@dataclass(frozen=True, slots=True)
class Tried:
    """What a saved case said each time it ran tonight; ``untried`` is why it could not run."""

    stored: Stored
    rows: tuple[FunctionResult, ...] = ()
    untried: str = ""

    @property
    def differs(self) -> bool:
        """Whether it differed at least once."""
        return any(row.verdict is Verdict.DIFFER for row in self.rows)

    @property
    def agrees(self) -> bool:
        """Whether it was compared and never differed."""
        return bool(self.rows) and all(row.verdict is Verdict.AGREE for row in self.rows)

    @property
    def wavers(self) -> bool:
        """Whether it differed and did not."""
        return self.differs and any(row.verdict is not Verdict.DIFFER for row in self.rows)

    @property
    def shows(self) -> FunctionResult | None:
        """The row in which it differed first."""
        return next((row for row in self.rows if row.verdict is Verdict.DIFFER), None)


def stored_cases(programs: Sequence[CorpusProgram], names: Names) -> tuple[tuple[Stored, ...], tuple[str, ...]]:
    """All cases of the programs about their translations, in a fixed order, and what cannot be read."""
    found: list[Stored] = []
    problems: dict[str, None] = {}
    for program in programs:
        config, folder = program.config.resolve(), program.config.parent / ".tallystick" / "cases"
        sweep_partial(folder)
        for path in sorted(folder.glob("*.json")):
            try:
                case = load_case(path)
            except UsageError as error:
                problems[str(error).splitlines()[0]] = None
                continue
            # Several files in one folder share their cases; a case without a compiler is about the references.
            if case.compiler and (path.parent / case.config).resolve() == config:
                found.append(Stored(path, case, case_key(program.name, case, names)))
    found.sort(key=lambda one: (one.key.subject.program, one.key.subject.build, one.path.name))
    return tuple(found), tuple(problems)


def case_key(program: str, case: Case, names: Names) -> FindingKey:
    """The key of the finding that a case was saved for."""
    entry = int(case.address, 16)
    subject = Subject(program, case.build, names.get((program, case.build, entry), case.function), case.compiler)
    wrote = case.written_by
    writer = Writer(int(wrote.address, 16), wrote.text) if wrote else None
    return finding_key(subject, recorded_difference(case.first_difference), writer, entry)


def try_again(
    stored: Sequence[Stored], times: int, workers: int, told: Callable[[Stored], None], arrived: Callable[[Tried], None]
) -> tuple[tuple[Tried, ...], bool]:
    """Runs each case ``times`` times; ``arrived`` is called as each ends. Says also whether Ctrl-C came."""

    def done(index: int, outcome: tuple[tuple[FunctionResult, ...], str] | None) -> None:
        told(stored[index])
        arrived(_tried(stored[index], outcome))

    items = [(one.path, one.case, times) for one in stored]
    gathered = run_all(_run, items, max(1, min(workers, len(items))), _prepare, (), done)
    outcomes = (
        (one, gathered.outcomes.get(index))
        for index, one in enumerate(stored)
        if index in gathered.outcomes or index in gathered.died
    )
    return tuple(_tried(one, outcome) for one, outcome in outcomes), gathered.interrupted


def _tried(stored: Stored, outcome: tuple[tuple[FunctionResult, ...], str] | None) -> Tried:
    return Tried(stored, *(outcome or ((), "the worker process died while it ran this case")))


#: The open workbench of this worker process.
_bench: Workbench | None = None


def _prepare() -> None:
    """Begins a worker with nothing open, whatever its parent had open."""
    global _bench
    _bench = None


def _run(item: tuple[Path, Case, int]) -> tuple[tuple[FunctionResult, ...], str]:
    """Runs one case in this worker process; what keeps it from running is told in its place."""
    global _bench
    path, case, times = item
    try:
        build = build_of(case, path)
        if _bench is None or _bench.build != build:
            if _bench is not None:
                _bench.close()
            _bench = None
            _bench = Workbench(build)
        bench = _bench
        return tuple(run_case(bench, case, path) for _ in range(times)), ""
    except TallystickError as error:
        return (), f"{error.what}: {error.got}" if error.got else error.what
    except Exception as error:  # noqa: BLE001 - whatever goes wrong with one case is its row, not the end of the night
        return (), f"{type(error).__name__}: {error}"


def shown(stored: Iterable[Stored]) -> str:
    """The path of the first of some cases, as the user would type it."""
    return next((shown_path(one.path) for one in stored), "")
