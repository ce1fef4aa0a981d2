"""The project with a world outside, of tests/harness, lends its pieces here."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "harness"))
