"""The known faults of Unicorn, as data: what each is, how it was measured, and what is done about it.

``unicorn_probes`` sees which of them the installed version has; ``unicorn_standing`` remembers that.
"""

from __future__ import annotations

from harness.engines.faults.floats import FLOATS
from harness.engines.faults.integer import INTEGER
from harness.engines.faults.model import SOURCES, Fault, Group, Probe
from harness.engines.faults.opcodes import OPCODES
from harness.engines.faults.runs import RUNS

__all__ = ["FAULTS", "SOURCES", "Fault", "Group", "Probe"]

FAULTS: tuple[Fault, ...] = INTEGER + OPCODES + FLOATS + RUNS
