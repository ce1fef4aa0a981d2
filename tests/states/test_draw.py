"""What is drawn follows from the seed alone, whatever else the process has imported."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

_DRAW = """
import sys
import hypothesis
from hypothesis import Phase, settings
sys.path.insert(0, sys.argv[1])
if len(sys.argv) > 2:
    __import__(sys.argv[2])
from harness.states.draw import drafts

@hypothesis.seed(7)
@settings(max_examples=300, database=None, deadline=None, phases=(Phase.generate,))
@hypothesis.given(drafts(()))
def draw(draft):
    print(draft.seed)

draw()
"""


def drawn(folder: Path, *imported: str) -> list[int]:
    command = [sys.executable, "-c", _DRAW, str(folder), *imported]
    text = subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2]).stdout
    return [int(line) for line in text.splitlines()]


def test_constants_of_modules_that_happen_to_be_there_are_not_drawn(tmp_path: Path) -> None:
    """Hypothesis also draws integers that stand in modules of the user's, since 6.131 (its changelog)."""
    numbers = [0x1234_5678_9ABC_0000 + number for number in range(200)]
    (tmp_path / "constants_of_mine.py").write_text(f"NUMBERS = {numbers}\n")
    plain = drawn(tmp_path)
    assert len(set(plain)) > 290  # families that are their own
    assert drawn(tmp_path, "constants_of_mine") == plain
