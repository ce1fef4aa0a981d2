"""The known faults of Unicorn: each still occurs; when one does not, its entry in ``guard.FAULTS`` can go."""

from __future__ import annotations

import pytest

from harness.engines.guard import FAULTS
from harness.engines.unicorn_probes import probes, still_occurs


@pytest.mark.parametrize("fault", [fault.id for fault in FAULTS])
def test_the_fault_still_occurs(fault: str) -> None:
    assert still_occurs(fault)


def test_every_probe_belongs_to_a_fault() -> None:
    assert sorted(probes()) == sorted(fault.id for fault in FAULTS)
