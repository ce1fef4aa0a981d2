"""Files named by content: hashes, putting in place, and removal of what nobody uses."""

from __future__ import annotations

import os
import time
from pathlib import Path

from harness.translated.cache import digest, is_kept, keep, sweep


def test_a_hash_tells_where_one_part_ends() -> None:
    assert len({digest("ab", "c"), digest("a", "bc"), digest("abc"), digest("abc", "")}) == 4


def test_text_and_bytes_of_one_content_have_one_hash() -> None:
    assert digest("ebb") == digest(b"ebb")


def test_a_kept_file_replaces_what_was_there(tmp_path: Path) -> None:
    made, name = tmp_path / "made", tmp_path / "name"
    name.write_text("old")
    made.write_text("new")
    keep(made, name)
    assert (name.read_text(), made.exists()) == ("new", False)


def test_what_nobody_used_for_a_month_is_removed(tmp_path: Path) -> None:
    names = [tmp_path / name for name in ("old", "recent", "old but used")]
    for name in names:
        name.write_text("")
        age = 29 if name.name == "recent" else 31
        os.utime(name, (time.time() - age * 86400,) * 2)
    assert is_kept(names[2])
    sweep(tmp_path)
    assert [is_kept(name) for name in names] == [False, True, True]
