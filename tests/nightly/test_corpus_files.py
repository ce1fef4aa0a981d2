"""corpus.toml and known.toml: what they may say, how they are refused, and how known findings are pruned."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import pytest

from harness.config.corpus import load_corpus
from harness.config.known import Known, load_known, prune_known
from harness.errors import UsageError

PROGRAM = '[[program]]\nname = "ebb"\nconfig = "ebb/tally.toml"\n'
ENTRY = 'function = "tide_*"\nreason = "r"\nowner = "o"\ndate = 2026-03-01\n'


def corpus_of(folder: Path, text: str) -> Path:
    path = folder / "corpus.toml"
    path.write_text(text)
    return path


def test_a_corpus_names_files_as_seen_from_its_own_folder(tmp_path: Path) -> None:
    corpus = load_corpus(corpus_of(tmp_path, PROGRAM))
    assert corpus.programs[0].config == tmp_path / "ebb" / "tally.toml"
    assert corpus.history == tmp_path / ".tallystick" / "history.sqlite"
    assert corpus.known == tmp_path / "known.toml"
    corpus = load_corpus(corpus_of(tmp_path, f'[nightly]\nhistory = "h.sqlite"\nknown = "k.toml"\n{PROGRAM}'))
    assert (corpus.history, corpus.known) == (tmp_path / "h.sqlite", tmp_path / "k.toml")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "corpus.toml program: missing key\nhelp: add it: The programs."),
        ("program = []", "program: value does not fit: got [], expected at least one entry"),
        (PROGRAM + PROGRAM, "uses a name twice: got 'ebb', expected a name of its own for each program"),
        (PROGRAM + 'tag = ["slow"]', "[program] item 1 tag: unknown key: got tag, expected accept, config, name"),
        (PROGRAM + 'tags = ["sl ow"]', "[program.tags] item 1 item 1: value does not fit: got 'sl ow'"),
        (PROGRAM + "states = 0", "[program] item 1 states: value does not fit: got 0"),
        (PROGRAM + '[[program.accept]]\npattern = "x"', "[program.accept] item 1 item 1 reason: missing key"),
        ("[nightly]\nready = 3\n" + PROGRAM, "[nightly] ready: unknown key: got ready"),
    ],
)
def test_a_corpus_that_does_not_fit_is_refused_with_the_key(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(UsageError) as caught:
        load_corpus(corpus_of(tmp_path, text))
    assert message in str(caught.value)


def test_programs_are_picked_by_their_tags(tmp_path: Path) -> None:
    corpus = load_corpus(
        corpus_of(tmp_path, PROGRAM + 'tags = ["slow"]\n' + PROGRAM.replace("ebb", "flood") + 'tags = ["quick"]\n')
    )
    assert [program.name for program in corpus.tagged("slow")] == ["ebb"]
    with pytest.raises(UsageError, match="no program has this tag: got 'x', expected quick, slow"):
        corpus.tagged("x")


# --- known findings ---


def known(text: str) -> Known:
    return Known.model_validate({"reason": "r", "owner": "o", "date": datetime.date(2026, 3, 1), **json.loads(text)})


PARTS = {
    "program": "tideclock",
    "build": "o32-O1",
    "function": "tide_height",
    "compiler": "cc -O1 [hardened]",
    "kind": "memory",
    "place": "written at +1c",
}


@pytest.mark.parametrize(
    ("text", "covers"),
    [
        ('{"function": "tide_*"}', True),
        ('{"function": "tide_*", "build": "n32*"}', False),
        ('{"function": "tide_height", "place": "written at +1c", "kind": "memory"}', True),
        ('{"function": "tide_height", "place": "written at +1"}', False),
        ('{"function": "tide_height", "compiler": "cc -O1 [hardened]"}', True),  # as it stands in reports
        ('{"case": "tide_height-0123456789ab"}', True),
        ('{"case": "tide_height-0123456789ab.json"}', True),
        ('{"case": "tide_height-ba9876543210"}', False),
        ('{"case": "tide_height-0123456789ab", "build": "n32*"}', False),
    ],
)
def test_an_entry_is_about_what_all_its_keys_match(text: str, covers: bool) -> None:
    assert known(text).covers(PARTS, frozenset({"tide_height-0123456789ab"})) is covers


def test_an_entry_holds_on_its_last_day_and_not_on_the_next(tmp_path: Path) -> None:
    (tmp_path / "known.toml").write_text(f"[[known]]\n{ENTRY}expires = 2026-03-14\n")
    (entry,) = load_known(tmp_path / "known.toml")
    assert not entry.is_expired(datetime.date(2026, 3, 14))
    assert entry.is_expired(datetime.date(2026, 3, 15))


def test_no_file_is_no_known_finding(tmp_path: Path) -> None:
    assert load_known(tmp_path / "known.toml") == ()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("reason = 'r'\nowner = 'o'\ndate = 2026-03-01", "got neither function nor case, expected function or case"),
        ("function = 'f'\nreason = 'r'\ndate = 2026-03-01", "[known] item 1 owner: missing key"),
        ("function = 'f'\nreason = ''\nowner = 'o'\ndate = 2026-03-01", "reason: value does not fit: got '', expected"),
        ("function = 'f'\nreason = 'r'\nowner = 'o'\ndate = 'May'", "date: value does not fit: got 'May', expected"),
        (f"{ENTRY}until = 2026-03-14", "[known] item 1 until: unknown key"),
    ],
)
def test_a_known_finding_without_reason_owner_or_date_is_refused(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "known.toml").write_text(f"[[known]]\n{text}\n")
    with pytest.raises(UsageError) as caught:
        load_known(tmp_path / "known.toml")
    assert message in str(caught.value)


THREE = f"""\
# What we tolerate.

# The first one.
[[known]]
{ENTRY}
[[known]]  # the second one
{ENTRY.replace("tide_*", "second")}
# The third one:
# two lines.
[[ known ]]
{ENTRY.replace("tide_*", "third")}# a last word
"""


def test_pruning_takes_an_entry_with_its_comment_and_leaves_the_rest_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "known.toml"
    path.write_text(THREE)
    prune_known(path, frozenset({1}))
    start, end = THREE.index("[[known]]  # the second"), THREE.index("# The third")
    assert path.read_text() == THREE[:start] + THREE[end:]
    prune_known(path, frozenset({0}))
    assert path.read_text() == "# What we tolerate.\n\n" + THREE[end:]
    assert [entry.function for entry in load_known(path)] == ["third"]


def test_a_file_that_does_not_show_where_entries_end_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "known.toml"
    inline = "known = [{ function = 'f', reason = 'r', owner = 'o', date = 2026-03-01 }]\n"
    path.write_text(inline)
    with pytest.raises(UsageError, match="cannot be pruned"):
        prune_known(path, frozenset({0}))
    assert path.read_text() == inline
    assert list(tmp_path.iterdir()) == [path]
