"""What all tests share: the rule for tests that need outside tools.

``@pytest.mark.cross("objdump-name", ...)`` names programs (or Python modules, as ``module:gmpy2``) a test needs. Where
one is missing the test is skipped with that reason, except when ``TALLYSTICK_NO_SKIP`` is set, as in ``.ci/run``:
there it fails, so that a cross-check never disappears unnoticed.
"""

from __future__ import annotations

import importlib.util
import os
import shutil

import pytest


def _is_there(need: str) -> bool:
    if need.startswith("module:"):
        return importlib.util.find_spec(need.removeprefix("module:")) is not None
    return shutil.which(need) is not None


def pytest_runtest_setup(item: pytest.Item) -> None:
    needs = [need for mark in item.iter_markers("cross") for need in mark.args]
    missing = [need for need in needs if not _is_there(need)]
    if not missing:
        return
    reason = f"needs {', '.join(missing)}, which this machine lacks"
    if os.environ.get("TALLYSTICK_NO_SKIP"):
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)
