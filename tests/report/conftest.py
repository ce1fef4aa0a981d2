"""Pinned output: text compared with a file under ``expected/``.

``TALLYSTICK_REWRITE=1 pytest tests/report`` writes the files anew; read their difference before committing it.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

EXPECTED = Path(__file__).parent / "expected"


@pytest.fixture
def pinned() -> Callable[[str, str], None]:
    """Asserts that a text is what its file says."""
    def compare(name: str, text: str) -> None:
        path = EXPECTED / name
        if os.environ.get("TALLYSTICK_REWRITE"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        assert text == path.read_text(encoding="utf-8")

    return compare
