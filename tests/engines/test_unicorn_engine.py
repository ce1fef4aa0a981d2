"""The Unicorn leg."""

from __future__ import annotations

import pytest
from conformance import CASES, Case, check

from harness.engines.unicorn import Unicorn


@pytest.mark.parametrize("case", CASES, ids=str)
def test_unicorn_conforms(case: Case) -> None:
    check(Unicorn(), case)
