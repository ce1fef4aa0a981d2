"""Every integer row against qemu-mips64: a static program of all probes runs in it and prints its results."""

from __future__ import annotations

import pytest
from integer_judgement import DIFFERENCES, judge
from integer_judges import QEMU_NEEDS, qemu_results, signal
from integer_probes import INTEGER, Results

from interp.optable import Row

pytestmark = pytest.mark.cross(*QEMU_NEEDS)


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Results]]:
    """Row -> its results."""
    return qemu_results(INTEGER, tmp_path_factory.mktemp("probes"))


@pytest.mark.parametrize("row", INTEGER, ids=lambda row: row.name)
def test_integer_rows_agree_with_qemu(printed: dict[str, list[Results]], row: Row) -> None:
    judgement = judge(row, printed[row.name], signal)
    assert judgement.unexplained == ()
    known = [difference.id for difference in DIFFERENCES if row.name in difference.rows.split()]
    assert sorted(judgement.differed) == known
