"""How a check says how far it is: a bar on a terminal, lines on standard error elsewhere."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console

from harness.cli_shared import ProgressBar


def progress(terminal: bool) -> str:
    """What is written while three functions of odd names end."""
    file = io.StringIO()
    with ProgressBar(Console(file=file, force_terminal=terminal, width=60)) as shown:
        for done, name in enumerate(("[/bold]", "new\nline", "n" * 200), 1):
            shown.told(done, 3, name)
            if shown._progress is not None:
                shown._progress.refresh()
    return file.getvalue()


def test_a_terminal_is_told_how_far_the_check_is_whatever_the_names() -> None:
    text = progress(terminal=True)
    assert re.search(r"1/3.*\[/bold\]", text)
    assert re.search(r"2/3.*new\\nline", text)
    assert re.search(r"3/3.*n{20}", text)
    assert "n" * 30 not in text


def test_what_is_no_terminal_is_told_in_lines_of_their_own_now_and_then(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert progress(terminal=False) == ""
    assert capsys.readouterr().err == ""  # it did not take long
    monkeypatch.setattr(ProgressBar, "EVERY", 0.0)
    assert progress(terminal=False) == ""
    assert re.fullmatch(r"(\d of 3 done after 0 s\n){3}", capsys.readouterr().err)
