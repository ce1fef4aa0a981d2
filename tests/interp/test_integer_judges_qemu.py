"""Every integer row against qemu-mips64: a static program of all probes runs in it and prints its results."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from integer_judgement import DIFFERENCES, judge
from integer_probes import INTEGER, RECORD, TRAPS, Results, cells_of, program, results_of

from interp.optable import Row

AT = 0x2000_0000
PREFIX = "mips64-linux-gnuabi64-"
RUNNER = Path(__file__).with_name("probe_runner.S")

#: The signal that Linux makes of each exception: SIGFPE, SIGTRAP, SIGBUS.
SIGNALS = {"": 0, "overflow": 8, "trap": 5, "address-error-load": 10, "address-error-store": 10}

pytestmark = pytest.mark.cross("qemu-mips64", PREFIX + "as", PREFIX + "ld")


def signal(mark: int) -> int:
    return SIGNALS[TRAPS[mark]]


@pytest.fixture(scope="module")
def printed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Results]]:
    """Row -> its results."""
    folder = tmp_path_factory.mktemp("probes")
    probes = program(INTEGER, AT)
    (folder / "code").write_bytes(probes.code)
    (folder / "operands").write_bytes(probes.operands)
    size = len(probes.operands)
    for command in (
        f"{PREFIX}as -EB -march=vr4300 -mabi=64 --defsym RESULTS={size} -o runner.o {RUNNER}",
        f"{PREFIX}ld -static -Ttext={AT:#x} -o runner runner.o",
    ):
        subprocess.run(command.split(), cwd=folder, check=True)
    done = subprocess.run(["qemu-mips64", "-cpu", "R4000", "./runner"], cwd=folder, capture_output=True, check=False)
    assert (done.returncode, done.stderr, len(done.stdout)) == (0, b"", size)
    results: dict[str, list[Results]] = {}
    start = 0
    for row in INTEGER:
        end = start + RECORD.size * sum(len(cell.cases) for cell in cells_of(row))
        results[row.name] = results_of(done.stdout[start:end])
        start = end
    return results


@pytest.mark.parametrize("row", INTEGER, ids=lambda row: row.name)
def test_integer_rows_agree_with_qemu(printed: dict[str, list[Results]], row: Row) -> None:
    judgement = judge(row, printed[row.name], signal)
    known = [difference.id for difference in DIFFERENCES if row.name in difference.rows.split()]
    assert sorted(judgement.differed) == known
