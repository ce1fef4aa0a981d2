"""The history on disk: migration, kills, full disks, and files that are none."""

from __future__ import annotations

import datetime
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.nights import FindingKey, Status, Subject, Told
from harness.results import FunctionResult
from harness.store.history import MIGRATIONS, Past, reading, writing
from harness.verdicts import Verdict

DAY = datetime.date(2026, 3, 1)
SUBJECT = Subject("harbour", "o32-O1", "tide_height", "cc -O1")
KEY = FindingKey(SUBJECT, "register", "v0")


def row(verdict: Verdict = Verdict.AGREE) -> FunctionResult:
    return FunctionResult("tide_height", 0x8000_1000, 16, verdict, build="o32-O1", compiler="cc -O1", states=9)


def told(status: Status) -> Told:
    return Told(KEY, status, DAY)


def test_what_the_last_whole_night_told_is_what_is_open(tmp_path: Path) -> None:
    with writing(tmp_path / "h") as history:
        assert history.open_findings() == {}
        for status in (Status.NEW, Status.STILL):
            history.end(history.begin(DAY, 1), [told(status)], 1)
        assert history.open_findings() == {KEY: Past(Status.STILL, DAY)}
        history.end(history.begin(DAY, 1), [told(Status.FIXED)], 0)
        assert (history.open_findings(), history.fixed()) == ({}, {KEY: DAY})


def test_a_night_that_was_cut_short_leaves_its_rows_and_nothing_told(tmp_path: Path) -> None:
    with writing(tmp_path / "h") as history:
        history.end(history.begin(DAY, 1), [], 0)
        history.record(history.begin(DAY, 1), [(SUBJECT, row(Verdict.DIFFER), KEY)])
    with writing(tmp_path / "h") as history:
        assert history.cut_short() == ((DAY, 1),)
        assert (history.untold(), history.open_findings()) == ({KEY: DAY}, {})
        history.end(history.begin(DAY, 1), [told(Status.NEW)], 1)
        assert (history.cut_short(), history.untold()) == ((), {})


def test_nights_without_a_difference_count_from_the_last_one_with_it(tmp_path: Path) -> None:
    with writing(tmp_path / "h") as history:

        def night(day: int, verdict: Verdict, ended: bool = True) -> int:
            date = DAY + datetime.timedelta(day)
            number = history.begin(date, 1)
            history.record(number, [(SUBJECT, row(verdict), KEY if verdict is Verdict.DIFFER else None)])
            if ended:
                history.end(number, [], 0)
            return history.nights_without([KEY], [SUBJECT], DAY + datetime.timedelta(1), number)

        assert night(0, Verdict.AGREE) == 0  # before the day from which nights count
        assert night(1, Verdict.AGREE) == 1
        assert night(2, Verdict.AGREE, ended=False) == 2  # tonight counts
        assert night(3, Verdict.AGREE) == 2  # but not one that was cut short
        assert night(4, Verdict.INCONCLUSIVE) == 2
        assert night(5, Verdict.DIFFER) == 0
        assert night(6, Verdict.AGREE) == 1


def test_a_history_of_the_first_version_is_migrated_with_all_its_rows(tmp_path: Path) -> None:
    old = sqlite3.connect(tmp_path / "h")
    for statement in MIGRATIONS[0]:
        old.execute(statement)
    old.execute("INSERT INTO night VALUES (1, '2026-03-01', '18446744073709551615', 'then', 'then', 1)")
    old.execute("INSERT INTO subject VALUES (5, 'harbour', 'o32-O1', 'tide_height', 'cc -O1')")
    old.execute("INSERT INTO result VALUES (1, 5, 'differ', '', 9, 9)")
    old.execute("INSERT INTO finding VALUES (7, 5, 'register', 'v0')")
    old.execute("INSERT INTO sighting VALUES (1, 7, 1, 'tide_height-0123456789ab')")
    old.execute("INSERT INTO told VALUES (1, 7, 'new', '2026-03-01', '')")
    old.execute("PRAGMA user_version = 1")
    old.commit()
    old.close()
    with writing(tmp_path / "h") as history:
        assert history.open_findings() == {KEY: Past(Status.NEW, DAY)}
        assert history.cases() == {KEY: frozenset({"tide_height-0123456789ab"})}
        (night,) = history.last(5)
        assert (night.seed, night.functions, night.states, night.told) == ((1 << 64) - 1, 1, 9, {Status.NEW: 1})
        history.record(history.begin(DAY, 1), [(SUBJECT, row(), None)])
    assert sqlite3.connect(tmp_path / "h").execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)


def test_a_history_of_a_later_version_is_refused(tmp_path: Path) -> None:
    later = sqlite3.connect(tmp_path / "h")
    later.execute("PRAGMA user_version = 99")
    later.close()
    with (
        pytest.raises(UsageError, match=r"written by a later tallystick: got version 99, expected at most"),
        writing(tmp_path / "h"),
    ):
        pass


def test_a_file_that_is_no_history_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "h").write_text("no database at all, but a text\n" * 20)
    with pytest.raises(UsageError, match="no sound history: got file is not a database"), writing(tmp_path / "h"):
        pass
    assert (tmp_path / "h").read_text().startswith("no database")


def test_a_full_disk_is_said_in_words_and_costs_nothing_that_was_recorded(tmp_path: Path) -> None:
    """SQLite's own limit of pages gives the error of a full disk (SQLite documentation, PRAGMA max_page_count)."""
    with writing(tmp_path / "h") as history:
        night = history.begin(DAY, 1)
        history._database.execute("PRAGMA max_page_count = 1")  # SQLite takes the number of pages there are
        recorded = 0
        with pytest.raises(UsageError, match=r"h: cannot be written: got database or disk is full\nhelp: what was rec"):
            for recorded in range(10_000):
                history.record(night, [(Subject("p", "b", f"f{recorded}", "cc"), row(), None)])
    with writing(tmp_path / "h") as history:
        assert history.cut_short() == ((DAY, recorded),)
        assert recorded > 0
        history.end(history.begin(DAY, 1), [], 0)


def test_a_folder_that_cannot_be_made_is_said_in_words(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(UsageError, match="cannot be written: got"), writing(tmp_path / "file" / "h"):
        pass


def test_rows_survive_a_kill_right_after_they_were_recorded(tmp_path: Path) -> None:
    killed = subprocess.run([sys.executable, "-c", _KILLED, str(tmp_path / "h")], check=False)
    assert killed.returncode == -9
    with reading(tmp_path / "h") as history:
        (night,) = history.last(5)
        assert (night.status, night.functions) == (None, 1)  # the second row was never whole


_KILLED = """
import datetime, os, sys
from pathlib import Path
from harness.nights import Subject
from harness.results import FunctionResult
from harness.store.history import writing
from harness.verdicts import Verdict

row = FunctionResult("f", 0, 4, Verdict.AGREE)

def two():
    yield Subject("p", "b", "second", "cc"), row, None
    os.kill(os.getpid(), 9)

with writing(Path(sys.argv[1])) as history:
    night = history.begin(datetime.date(2026, 3, 1), 1)
    history.record(night, [(Subject("p", "b", "first", "cc"), row, None)])
    history.record(night, two())
"""
