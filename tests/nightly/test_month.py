"""A month of nights, worked out by hand: faults planted and removed, findings known, expired, flaky and come again."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from small_corpus import WRONG, SmallCorpus, table

from harness.nights import Night

#: What the C has wrong from each day on.
PLANTED: dict[int, dict[str, str]] = {
    1: {},
    3: {"add": WRONG["add"]},
    5: {"add": WRONG["add"], "store": WRONG["store"]},
    9: {"store": WRONG["store"]},
    12: {"store": WRONG["store"], "divide": WRONG["divide"]},
    16: {"store": WRONG["store"]},
    20: {},
    27: {"add": WRONG["add"]},
    29: {"add": WRONG["add"], "store": WRONG["store"]},
}
#: The night in which one call of add is wrong, and none after it.
WAVERS = 23
#: The night that is killed, once everything is checked and before it can say anything.
KILLED = 29

STORE_ENTRY = (
    'function = "store"\nkind = "memory"\nreason = "next release"\nowner = "mara"\n'
    "date = 2026-03-07\nexpires = 2026-03-14"
)
STORE = "next release (mara, since 2026-03-07, until 2026-03-14)"
DIVIDE = "open question (jo, since 2026-03-13)"
#: The processor manual leaves the result of the case open, so that nothing but a crash could show there.
DIVIDED = "its case shows nothing now (open:division-by-zero), and N states agree"

#: What each night tells, and its exit status.
EXPECTED: dict[int, tuple[int, list[tuple[str, str, str]]]] = {
    1: (0, []),
    2: (0, []),
    3: (1, [("add", "new", "")]),
    4: (1, [("add", "still", "")]),
    5: (1, [("add", "still", ""), ("store", "new", "")]),
    6: (1, [("add", "still", ""), ("store", "still", "")]),
    7: (1, [("add", "still", ""), ("store", "known", STORE)]),
    8: (1, [("add", "still", ""), ("store", "known", STORE)]),
    9: (0, [("add", "fixed", "its case agrees now"), ("store", "known", STORE)]),
    10: (0, [("store", "known", STORE)]),
    11: (0, [("store", "known", STORE)]),
    12: (1, [("divide", "new", ""), ("store", "known", STORE)]),
    13: (0, [("divide", "known", DIVIDE), ("store", "known", STORE)]),
    14: (0, [("divide", "known", DIVIDE), ("store", "known", STORE)]),
    15: (1, [("divide", "known", DIVIDE), ("store", "expired", f"was known: {STORE}")]),
    16: (1, [("divide", "fixed", DIVIDED), ("store", "expired", f"was known: {STORE}")]),
    17: (1, [("store", "expired", f"was known: {STORE}")]),
    18: (1, [("store", "expired", f"was known: {STORE}")]),
    19: (1, [("store", "expired", f"was known: {STORE}")]),
    20: (0, [("store", "fixed", "its case agrees now")]),
    21: (0, []),
    22: (0, []),
    23: (1, [("add", "flaky", "differs in 1 of 2 runs of the same states")]),  # its case is the first to run
    24: (0, [("add", "flaky", "did not show tonight, 1 of 3 nights until it is fixed")]),
    25: (0, [("add", "flaky", "did not show tonight, 2 of 3 nights until it is fixed")]),
    26: (0, [("add", "fixed", "its case agrees now")]),
    27: (1, [("add", "new", "was fixed on 2026-03-26")]),
    28: (1, [("add", "still", "")]),
    30: (1, [("add", "still", ""), ("store", "new", "found on 2026-03-29 by a night that was cut short")]),
}

#: Of each entry of known.toml, from the night on: nights in which it had nothing to tolerate, ready, removed.
ENTRIES: dict[int, dict[str, tuple[int, bool, bool]]] = {
    16: {"store": (0, False, False), "case": (1, False, False)},
    18: {"store": (0, False, False), "case": (3, True, False)},
    20: {"store": (1, False, False), "case": (5, True, False)},
    22: {"store": (3, True, False), "case": (7, True, False)},
    24: {"store": (5, True, False), "case": (9, True, False)},
    25: {"store": (6, True, True), "case": (10, True, True)},
    26: {},
}


class KillError(Exception):
    """Stands for a kill: nothing of the night runs after it."""


def a_month(corpus: SmallCorpus, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[int, Night]]:
    for day in range(1, 31):
        if day in PLANTED:
            corpus.translate(**PLANTED[day])
        if day == WAVERS:
            corpus.translate_once_wrong()
        if day == 7:
            corpus.know(STORE_ENTRY)
        if day == 13:
            (case,) = [path.stem for path in corpus.cases() if path.stem.startswith("divide")]
            known = f'case = "{case}"\nreason = "open question"\nowner = "jo"\ndate = 2026-03-13'
            corpus.know(STORE_ENTRY, known)
        if day == KILLED:
            with monkeypatch.context() as patched, pytest.raises(KillError):
                patched.setattr("harness.nightly.night.judge", killed)
                corpus.night(day)
        else:
            yield day, corpus.night(day, prune=day == 25)


def killed(*_: object) -> None:
    raise KillError


def test_a_month_tells_exactly_what_was_planted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    corpus = SmallCorpus.made(tmp_path)
    told: dict[int, tuple[int, list[tuple[str, str, str]]]] = {}
    entries: dict[int, dict[str, tuple[int, bool, bool]]] = {}
    for day, night in a_month(corpus, monkeypatch):
        told[day] = night.status, table(night)
        entries[day] = {
            "case" if "case" in one.about else "store": (one.passed, one.ready, one.pruned) for one in night.known
        }
        cut = [f"the night of 2026-03-{KILLED} was cut short: its 4 results are kept, and what it found is told here"]
        assert list(night.remarks) == (cut if day == KILLED + 1 else [])
    assert told == EXPECTED
    assert {day: entries[day] for day in ENTRIES} == ENTRIES
    # A case for each thing that ever showed, however often; the killed night did not come to tidy its two.
    names = [path.stem.partition("-")[0] for path in corpus.cases()]
    assert names == ["add", "add", "divide", "store", "store"]
