"""What a night prints and writes, pinned: the terminal, Markdown, JUnit XML; and what holds of the JSON."""

from __future__ import annotations

import datetime
import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from made_results import AGREES, ALL_KINDS, CRASH, REGISTER, result

from harness.errors import UsageError
from harness.nights import (
    FindingKey,
    Gap,
    KnownEntry,
    Night,
    NightRow,
    ProgramNight,
    Rerun,
    Status,
    Subject,
    Told,
    finding_key,
)
from harness.report.junit import night_junit
from harness.report.nights import night_document, night_markdown, print_history, print_night, write_text
from harness.report.terminal import make_console
from harness.results import Difference, Writer
from harness.verdicts import DifferenceKind, Verdict

Pinned = Callable[[str, str], None]

DAY, EARLIER = datetime.date(2026, 3, 14), datetime.date(2026, 3, 2)


def subject(name: str) -> Subject:
    return Subject("harbour", "o32-O1", name, "gcc -O2")


def told(status: Status, name: str, why: str = "", shows: bool = True) -> Told:
    row = replace(ALL_KINDS[1], name=name)
    key = FindingKey(subject(name), "register", "v0")
    since = DAY if status is Status.NEW else EARLIER
    return Told(key, status, since, why, f"cases/{name}-0123456789ab.json", row if shows else None)


#: A finding of each status; names that would speak to a terminal or break a table.
FINDINGS = (
    told(Status.NEW, "tide_height"),
    told(Status.EXPIRED, "tide_slope", "was known: next release (mara, since 2026-02-01, until 2026-03-13)"),
    told(Status.STILL, "tide|<b>\x1b[31m"),
    told(Status.FLAKY, "tide_waver", "differs in 1 of 3 runs of the same states"),
    told(Status.KNOWN, "tide_known", "next release (mara, since 2026-02-01)"),
    told(Status.FIXED, "tide_mended", "its case agrees now", shows=False),
    told(Status.GONE, "tide_renamed", "the corpus does not have this function any more", shows=False),
    told(Status.UNTRIED, "tide_gone", "it has no case, and its function was not checked tonight", shows=False),
)
ROWS = (*ALL_KINDS[:4], AGREES, replace(AGREES, name="twice_run"), *ALL_KINDS[5:])
WHOLE = Night(
    number=12,
    date=DAY,
    seed=20260314,
    programs=(
        ProgramNight("harbour", result(*ROWS), subjects=tuple(subject(row.name) for row in ROWS)),
        ProgramNight("lighthouse", None, "lighthouse: lighthouse/tally.toml: no such file\nhelp: give another"),
    ),
    findings=FINDINGS,
    gaps=(
        Gap(subject("boot_wait"), Verdict.NOT_RUN, "translated function missing from the C", "waits for a device"),
        Gap(subject("boot_key"), Verdict.INCONCLUSIVE, "under half of the states compared", ""),
    ),
    reruns=(Rerun(subject("twice_run"), "the worker process died while it ran this function", AGREES),),
    known=(
        KnownEntry("function tide_known", "next release (mara, since 2026-02-01)", 1, 0, False),
        KnownEntry("function tide_old", "never mind (jo, since 2026-02-01)", 0, 7, True),
        KnownEntry("case berth-1", "typing error (jo, since 2026-02-01)", 0, 0, False),
    ),
    stored=6,
    problems=("lighthouse: lighthouse/tally.toml: no such file\nhelp: give another",),
    remarks=("the night of 2026-03-13 was cut short: its 4 results are kept, and what it found is told here",),
    seconds=61.26,
)
QUIET = Night(1, DAY, 20260314, (ProgramNight("harbour", result(AGREES), subjects=(subject("berth"),)),), ())


def printed(night: Night) -> str:
    file = io.StringIO()
    print_night(make_console(file), night)
    return file.getvalue()


def test_a_night_in_which_everything_happens(pinned: Pinned) -> None:
    pinned("night.txt", printed(WHOLE))
    pinned("night.md", night_markdown(WHOLE))
    pinned("night.xml", night_junit(WHOLE))


def test_a_quiet_night(pinned: Pinned) -> None:
    pinned("night-quiet.txt", printed(QUIET))
    pinned("night-quiet.md", night_markdown(QUIET))


@pytest.mark.parametrize(
    ("night", "status"),
    [
        (QUIET, 0),
        (replace(QUIET, findings=(told(Status.KNOWN, "a"), told(Status.FIXED, "b", shows=False))), 0),
        *((replace(QUIET, findings=(told(s, "a"),)), 1) for s in (Status.NEW, Status.EXPIRED, Status.STILL)),
        (replace(QUIET, findings=(told(Status.FLAKY, "a"),)), 1),
        (replace(QUIET, findings=(told(Status.FLAKY, "a", shows=False),)), 0),
        (replace(QUIET, problems=("x",)), 2),
        (replace(QUIET, programs=()), 3),
        (replace(QUIET, interrupted=True), 3),
        (WHOLE, 1),
        (replace(WHOLE, findings=()), 4),  # one of its rows is a fault of the harness
    ],
)
def test_the_exit_status_of_a_night(night: Night, status: int) -> None:
    assert night.status == status


def test_an_entry_that_was_left_out_tonight_needs_no_line() -> None:
    unseen = "known case berth-1"
    assert unseen in printed(WHOLE)
    assert unseen not in printed(replace(WHOLE, whole=False))
    assert "known function tide_old" in printed(replace(WHOLE, whole=False))


def test_counts_in_junit_are_those_of_its_elements() -> None:
    root = Xml.fromstring(night_junit(WHOLE).partition("\n")[2])
    for element in (root, *root.iter("testsuite")):
        cases = list(element.iter("testcase"))
        assert element.get("tests") == str(len(cases))
        for name, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
            assert element.get(name) == str(len(list(element.iter(tag))))


def test_the_json_gives_every_finding_its_status_and_parts() -> None:
    document = json.loads(json.dumps(night_document(WHOLE)))
    assert document["schema"] == "tallystick.nightly/1"
    assert [one["status"] for one in document["findings"]] == [str(status) for status in Status]
    first = document["findings"][0]
    assert (first["program"], first["function"], first["kind"], first["place"]) == (
        "harbour", "tide_height", "register", "v0",
    )  # fmt: skip
    assert first["result"]["first_difference"]["where"] == "v0"
    assert sum(document["summary"][str(status)] for status in Status) == len(FINDINGS)
    assert document["programs"][0]["check"]["schema"] == "tallystick.check/1"


def test_the_history_as_a_table(pinned: Pinned) -> None:
    file = io.StringIO()
    nights = (
        NightRow(3, DAY, 20260314, None, 12, 340, {}),
        NightRow(2, EARLIER, 20260302, 1, 4356, 400_123, {Status.NEW: 2, Status.FIXED: 1}),
    )
    print_history(make_console(file), nights)
    pinned("history.txt", file.getvalue())


def test_a_text_is_written_whole_or_the_old_one_stays(tmp_path: Path) -> None:
    write_text("first", tmp_path / "a")
    write_text("second", tmp_path / "a")
    assert [(path.name, path.read_text()) for path in tmp_path.iterdir()] == [("a", "second")]
    with pytest.raises(UsageError, match="cannot be written: got no space left on device"):
        write_text("x", Path("/dev/full"))


ENTRY = 0xFFFF_FFFF_8000_1000


@pytest.mark.parametrize(
    ("difference", "writer", "place"),
    [
        (REGISTER.difference, REGISTER.writer, "v0"),
        # The address of the byte is drawn; the instruction that wrote it is not.
        (Difference(DifferenceKind.MEMORY, "ffffffff80400015", ()), Writer(ENTRY + 0x1C, "sw"), "written at +1c"),
        (Difference(DifferenceKind.MEMORY, "ffffffff80400015", ()), Writer(ENTRY - 8, "sw"), "written at -8"),
        (Difference(DifferenceKind.MEMORY, "ffffffff80400015", ()), None, "written by nothing"),
        (Difference(DifferenceKind.EVENT, "port_send", (), number=8), None, "port_send"),
        (CRASH.difference, None, "host division by zero"),
        (
            Difference(
                DifferenceKind.CRASH,
                "stop",
                (("c", "wild access at ffffffff83000004 ({memory} +0x3000004: wrong), in f; it printed: 0x77"),),
            ),
            None,
            "wild access at ... ({memory} ...: wrong), in f",
        ),
        (Difference(DifferenceKind.HANG, "stop", (("c", "hang"),)), None, ""),
        (
            Difference(DifferenceKind.HANG, "stop", (("c", "hang: no end after 0.25 s of processor time, in f"),)),
            None,
            "no end after ... of processor time, in f",
        ),
    ],
)
def test_the_key_of_a_finding_holds_nothing_that_a_seed_draws(
    difference: Difference, writer: Writer | None, place: str
) -> None:
    assert finding_key(subject("f"), difference, writer, ENTRY).place == place
