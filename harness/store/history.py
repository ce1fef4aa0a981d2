"""The history of nights: one SQLite file, written as results come, so that a kill costs nothing that was found.

A night that was not ended by ``end`` was cut short: its rows stay, and what it found is told by the next one. What has
become of a finding is never kept twice: it is what the last ended night told of it.
"""

from __future__ import annotations

import datetime
import fcntl
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.errors import UsageError
from harness.nights import FindingKey, NightRow, Status, Subject, Told
from harness.results import FunctionResult
from harness.verdicts import Verdict

#: What brings a history from each version to the next; the version of a file is how many of them it has had.
MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE night (
            number INTEGER PRIMARY KEY, date TEXT NOT NULL, seed TEXT NOT NULL, begun TEXT NOT NULL, ended TEXT,
            status INTEGER)""",
        """CREATE TABLE subject (
            id INTEGER PRIMARY KEY, program TEXT NOT NULL, build TEXT NOT NULL, function TEXT NOT NULL,
            compiler TEXT NOT NULL, UNIQUE (program, build, function, compiler))""",
        """CREATE TABLE result (
            night INTEGER NOT NULL REFERENCES night, subject INTEGER NOT NULL REFERENCES subject,
            verdict TEXT NOT NULL, reason TEXT NOT NULL, states INTEGER NOT NULL, compared INTEGER NOT NULL,
            PRIMARY KEY (night, subject)) WITHOUT ROWID""",
        """CREATE TABLE finding (
            id INTEGER PRIMARY KEY, subject INTEGER NOT NULL REFERENCES subject, kind TEXT NOT NULL,
            place TEXT NOT NULL, UNIQUE (subject, kind, place))""",
        """CREATE TABLE sighting (
            night INTEGER NOT NULL REFERENCES night, finding INTEGER NOT NULL REFERENCES finding,
            differs INTEGER NOT NULL, saved TEXT NOT NULL)""",
        """CREATE TABLE told (
            night INTEGER NOT NULL REFERENCES night, finding INTEGER NOT NULL REFERENCES finding,
            status TEXT NOT NULL, since TEXT NOT NULL, why TEXT NOT NULL,
            PRIMARY KEY (night, finding)) WITHOUT ROWID""",
    ),
    (
        "ALTER TABLE result ADD COLUMN seconds REAL NOT NULL DEFAULT 0",
        "CREATE INDEX sighting_of_finding ON sighting (finding, night)",
    ),
)

_KEY = "program, build, function, compiler, kind, place"
_KEYED = "FROM finding JOIN subject ON subject.id = finding.subject"
#: Seconds that a reader may keep the writer waiting.
_PATIENCE = 60


@dataclass(frozen=True, slots=True)
class Past:
    """What the last whole night said of a finding."""

    status: Status
    since: datetime.date


class History:
    """An open history; made by ``writing`` or ``reading``."""

    def __init__(self, path: Path, database: sqlite3.Connection) -> None:
        self._path = path
        self._database = database

    # --- tonight ---

    def begin(self, date: datetime.date, seed: int) -> int:
        """Begins a night and gives its number."""
        with self._writing() as write:
            row = write("INSERT INTO night (date, seed, begun) VALUES (?, ?, ?)", str(date), str(seed), _now())
            return int(row.lastrowid or 0)

    def record(self, night: int, rows: Iterable[tuple[Subject, FunctionResult, FindingKey | None]]) -> None:
        """Keeps results and what they found, all or nothing; when it returns they are on the disk."""
        with self._writing() as write:
            for subject, row, key in rows:
                write(
                    "INSERT OR REPLACE INTO result VALUES (?, ?, ?, ?, ?, ?, ?)",
                    *(night, self._subject(subject), str(row.verdict), row.reason, row.states, row.compared),
                    round(row.seconds, 3),
                )
                if key is not None:
                    case = Path(row.finding.case).stem if row.finding else ""
                    write("INSERT INTO sighting VALUES (?, ?, 1, ?)", night, self._finding(key), case)

    def record_replays(self, night: int, rows: Iterable[tuple[FindingKey, bool, str]]) -> None:
        """Keeps of saved cases whether they still differ: key, whether, and the name of the case."""
        with self._writing() as write:
            for key, differs, case in rows:
                write("INSERT INTO sighting VALUES (?, ?, ?, ?)", night, self._finding(key), int(differs), case)

    def end(self, night: int, told: Iterable[Told], status: int) -> None:
        """Ends a night: from now on this is what is known of its findings."""
        with self._writing() as write:
            for one in told:
                row = (night, self._finding(one.key), str(one.status), str(one.since), one.why)
                write("INSERT INTO told VALUES (?, ?, ?, ?, ?)", *row)
            write("UPDATE night SET ended = ?, status = ? WHERE number = ?", _now(), status, night)

    # --- what was ---

    def open_findings(self) -> dict[FindingKey, Past]:
        """What the last whole night told, but for what it called fixed or gone."""
        rows = self._rows(
            f"SELECT {_KEY}, told.status, since {_KEYED} JOIN told ON told.finding = finding.id "
            "WHERE told.night = (SELECT max(number) FROM night WHERE ended IS NOT NULL) AND told.status NOT IN (?, ?)",
            *(Status.FIXED, Status.GONE),
        )
        return {_key(row): Past(Status(row[6]), datetime.date.fromisoformat(row[7])) for row in rows}

    def fixed(self) -> dict[FindingKey, datetime.date]:
        """Findings that a night called fixed, and which one did so last."""
        rows = self._rows(
            f"SELECT {_KEY}, max(night.date) {_KEYED} JOIN told ON told.finding = finding.id "
            "JOIN night ON night.number = told.night WHERE told.status = ? GROUP BY finding.id",
            Status.FIXED,
        )
        return {_key(row): datetime.date.fromisoformat(row[6]) for row in rows}

    def untold(self) -> dict[FindingKey, datetime.date]:
        """What nights found that were cut short since the last whole one, and when first; nobody has been told."""
        rows = self._rows(
            f"SELECT {_KEY}, min(night.date) {_KEYED} JOIN sighting ON sighting.finding = finding.id "
            "JOIN night ON night.number = sighting.night WHERE sighting.differs AND night.ended IS NULL AND "
            "night.number > (SELECT coalesce(max(number), 0) FROM night WHERE ended IS NOT NULL) GROUP BY finding.id"
        )
        return {_key(row): datetime.date.fromisoformat(row[6]) for row in rows}

    def cut_short(self) -> tuple[tuple[datetime.date, int], ...]:
        """Date and number of results of each night since the last whole one that did not come to its end."""
        rows = self._rows(
            "SELECT date, (SELECT count(*) FROM result WHERE result.night = number) FROM night WHERE ended IS NULL AND "
            "number > (SELECT coalesce(max(number), 0) FROM night WHERE ended IS NOT NULL) ORDER BY number"
        )
        return tuple((datetime.date.fromisoformat(date), int(count)) for date, count in rows)

    def cases(self) -> dict[FindingKey, frozenset[str]]:
        """The names of all cases that ever showed a finding."""
        found: dict[FindingKey, set[str]] = {}
        for row in self._rows(
            f"SELECT DISTINCT {_KEY}, saved {_KEYED} JOIN sighting ON sighting.finding = finding.id WHERE saved != ''"
        ):
            found.setdefault(_key(row), set()).add(row[6])
        return {key: frozenset(names) for key, names in found.items()}

    def findings(self) -> tuple[FindingKey, ...]:
        """All that ever showed, in the order of their keys."""
        return tuple(sorted(_key(row) for row in self._rows(f"SELECT {_KEY} {_KEYED}")))

    def subjects(self) -> tuple[Subject, ...]:
        """All functions that were ever checked."""
        return tuple(Subject(*row) for row in self._rows("SELECT program, build, function, compiler FROM subject"))

    def nights_without(
        self, keys: Iterable[FindingKey], subjects: Iterable[Subject], since: datetime.date, night: int
    ) -> int:
        """How many nights, up to and with ``night``, compared a function of ``subjects`` after ``keys`` last showed.

        Only whole nights from ``since`` on count, and ``night`` itself.
        """
        found = [number for key in keys if (number := self._id_of_finding(key)) is not None]
        ((last,),) = self._rows(
            f"SELECT coalesce(max(night), 0) FROM sighting WHERE differs AND finding IN ({_marks(found)})", *found
        )
        tried = [number for one in subjects if (number := self._id_of_subject(one)) is not None]
        ((nights,),) = self._rows(
            "SELECT count(DISTINCT number) FROM result JOIN night ON number = night WHERE number > ? AND date >= ? AND "
            f"(ended IS NOT NULL OR number = ?) AND verdict = ? AND subject IN ({_marks(tried)})",
            *(last, str(since), night, Verdict.AGREE, *tried),
        )
        return int(nights)

    def last(self, count: int) -> tuple[NightRow, ...]:
        """The last nights, the latest first."""
        nights = self._rows(
            "SELECT number, date, seed, status, (SELECT count(*) FROM result WHERE night = number), "
            "(SELECT coalesce(sum(states), 0) FROM result WHERE night = number) "
            "FROM night ORDER BY number DESC LIMIT ?",
            count,
        )
        return tuple(
            NightRow(
                *(number, datetime.date.fromisoformat(date), int(seed), status, functions, states),
                {Status(name): many for name, many in self._rows(_COUNTED, number)},
            )
            for number, date, seed, status, functions, states in nights
        )

    # --- rows ---

    def _rows(self, statement: str, *values: object) -> list[Any]:
        with _told(self._path):
            return self._database.execute(statement, values).fetchall()

    @contextmanager
    def _writing(self) -> Iterator[Any]:
        """One transaction: all of the block, or nothing."""
        with _told(self._path):
            self._database.execute("BEGIN IMMEDIATE")
            try:
                yield lambda statement, *values: self._database.execute(statement, values)
                self._database.execute("COMMIT")
            except BaseException:  # whatever it was, half of a block is worse than nothing of it
                if self._database.in_transaction:
                    self._database.execute("ROLLBACK")
                raise

    def _subject(self, one: Subject) -> int:
        values = (one.program, one.build, one.function, one.compiler)
        self._database.execute(
            "INSERT OR IGNORE INTO subject (program, build, function, compiler) VALUES (?, ?, ?, ?)", values
        )
        return self._id_of_subject(one) or 0

    def _id_of_subject(self, one: Subject) -> int | None:
        values = (one.program, one.build, one.function, one.compiler)
        statement = "SELECT id FROM subject WHERE program = ? AND build = ? AND function = ? AND compiler = ?"
        row = self._database.execute(statement, values).fetchone()
        return int(row[0]) if row else None

    def _finding(self, key: FindingKey) -> int:
        values = (self._subject(key.subject), key.kind, key.place)
        self._database.execute("INSERT OR IGNORE INTO finding (subject, kind, place) VALUES (?, ?, ?)", values)
        return self._id_of_finding(key) or 0

    def _id_of_finding(self, key: FindingKey) -> int | None:
        values = (self._id_of_subject(key.subject), key.kind, key.place)
        statement = "SELECT id FROM finding WHERE subject = ? AND kind = ? AND place = ?"
        row = self._database.execute(statement, values).fetchone()
        return int(row[0]) if row else None


_COUNTED = "SELECT status, count(*) FROM told WHERE night = ? GROUP BY status"


@contextmanager
def writing(path: Path) -> Iterator[History]:
    """Opens the history at ``path`` for a night, made or brought to the present version first.

    Errors: ``UsageError`` where another night has it open, or it cannot be read or written.
    """
    with _told(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(lock, 20, 0).decode(errors="replace").strip()
            raise UsageError(
                str(path),
                "another night is being written",
                got=f"process {holder}" if holder else "",
                help="wait for its end, or give the other corpus a history of its own",
            ) from None
        os.ftruncate(lock, 0)
        os.pwrite(lock, f"{os.getpid()}\n".encode(), 0)
        with _opened(path) as history:
            yield history
    finally:
        os.close(lock)  # the end of the process, however it comes, ends the lock too


@contextmanager
def reading(path: Path) -> Iterator[History]:
    """Opens the history at ``path`` to be read, also while a night is being written.

    Errors: ``UsageError`` where there is none, or it cannot be read.
    """
    if not path.exists():
        raise UsageError(str(path), "no history", help="`tallystick nightly` begins one")
    with _opened(path) as history:
        yield history


@contextmanager
def _opened(path: Path) -> Iterator[History]:
    with _told(path):
        database = sqlite3.connect(path, timeout=_PATIENCE, isolation_level=None)
    try:
        with _told(path):
            database.execute("PRAGMA journal_mode = WAL")
            database.execute("PRAGMA synchronous = FULL")  # a night's row survives a power cut
            database.execute("PRAGMA foreign_keys = ON")
            _migrate(path, database)
        yield History(path, database)
    finally:
        database.close()


def _migrate(path: Path, database: sqlite3.Connection) -> None:
    """Brings a history to the present version, each step whole or not at all.

    Errors: ``UsageError`` for one of a later version.
    """
    while (version := _version(database)) < len(MIGRATIONS):
        database.execute("BEGIN IMMEDIATE")
        if _version(database) == version:  # nobody else was here meanwhile
            for statement in MIGRATIONS[version]:
                database.execute(statement)
            database.execute(f"PRAGMA user_version = {version + 1}")
        database.execute("COMMIT")
    if version > len(MIGRATIONS):
        raise UsageError(
            str(path),
            "written by a later tallystick",
            got=f"version {version}",
            expected=f"at most {len(MIGRATIONS)}",
            help="update tallystick",
        )


def _version(database: sqlite3.Connection) -> int:
    (version,) = database.execute("PRAGMA user_version").fetchone()
    return int(version)


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Tells in words what keeps SQLite from its file; nothing that was committed is lost by it.

    Errors: ``UsageError``.
    """
    try:
        yield
    except sqlite3.Error as error:
        words = str(error).lower()
        if "not a database" in words or "malformed" in words:
            help_line = "move it away: the next night begins a new one, and finds all saved cases"
            raise UsageError(str(path), "no sound history", got=words, help=help_line) from None
        help_line = "what was recorded until now is kept; make room, then run the night again"
        raise UsageError(str(path), "cannot be written", got=words, help=help_line) from None
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None


def _key(row: Sequence[Any]) -> FindingKey:
    return FindingKey(Subject(*row[:4]), row[4], row[5])


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
