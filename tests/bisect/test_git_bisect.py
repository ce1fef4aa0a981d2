"""`git bisect run` over revisions of a translator, as README.md says it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import day_project
import pytest

COMMITS, BAD = 64, 41
#: Revisions whose output does not compile: nothing can be said of them.
BROKEN = range(30, 35)  # among them the one in the middle, which is tried first

_RUN_BY_TALLYSTICK = """
[translator]
command = "{python} translator.py {image} {output}"
inputs = ["translator.py"]
output = "out"
"""

TRANSLATOR = '''"""Writes the C; revision {number}."""
import sys
from pathlib import Path
Path(sys.argv[2], "all.c").write_text({text!r})
'''


def git(folder: Path, *words: str) -> str:
    who = ["-c", "user.name=Porter", "-c", "user.email=porter@example.org", "-c", "init.defaultBranch=main"]
    return subprocess.run(["git", *who, *words], cwd=folder, check=True, capture_output=True, text=True).stdout


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """64 revisions of a translator that lowers the shift of ``bell`` wrongly from one of them on."""
    tally = day_project.make(tmp_path)
    text = tally.read_text().replace('include = ["c"]', 'include = ["h"]').replace('"c/*.c"', '"out/*.c"')
    tally.write_text(text + _RUN_BY_TALLYSTICK)
    (tmp_path / "c").rename(tmp_path / "h")
    right = (tmp_path / "h/all.c").read_text()
    (tmp_path / "h/all.c").unlink()
    (tmp_path / ".gitignore").write_text("out\n.tallystick\n")
    git(tmp_path, "init", "-q")
    for number in range(1, COMMITS + 1):
        text = right.replace("R[4] >> 1", "R[4] >> 2") if number >= BAD else right
        text = text + "this is no C" if number in BROKEN else text
        (tmp_path / "translator.py").write_text(TRANSLATOR.format(number=number, text=text))
        git(tmp_path, "add", ".")
        git(tmp_path, "commit", "-q", "-m", f"revision {number}")
    return tmp_path


def test_git_bisect_finds_the_revision_that_broke_a_lowering(repository: Path) -> None:
    tallystick = [sys.executable, "-c", "from harness.cli import main; main()"]
    git(repository, "bisect", "start", "HEAD", f"HEAD~{COMMITS - 1}")
    said = git(repository, "bisect", "run", *tallystick, "check", "tally.toml", "--for-git-bisect", "--workers", "1")
    first_bad = git(repository, "log", "-1", "--format=%s", "refs/bisect/bad")
    assert first_bad == f"revision {BAD}\n"
    assert "is the first bad commit" in said
