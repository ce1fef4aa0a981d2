"""The reference leg."""

from __future__ import annotations

import pytest
from conformance import CASES, Case, check

from harness.engines.reference import Reference


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_reference_conforms(case: Case) -> None:
    check(Reference(), case)
