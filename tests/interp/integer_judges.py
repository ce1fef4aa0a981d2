"""The judges of integer rows: Unicorn in this process, and qemu-mips64 with a static program of all probes."""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import unicorn
from integer_judgement import AT, DATA_AT, OPERANDS_AT, RESULTS_AT
from integer_probes import DATA, MARK, OPERANDS, RESULTS, TRAPS, Placed, Results, cells_of, program, results_of
from unicorn import mips_const

from interp.optable import Row

GPR = mips_const.UC_MIPS_REG_0
#: Unicorn's numbers of the exceptions that a probe can raise.
EXCEPTIONS = {12: "address-error-load", 13: "address-error-store", 21: "overflow", 22: "trap"}


class UnicornJudge:
    """Unicorn's R4000 with the probes of a row; nothing of what the harness does about Unicorn."""

    def __init__(self, row: Row, seed: int = 0) -> None:
        self.uc = unicorn.Uc(unicorn.UC_ARCH_MIPS, unicorn.UC_MODE_MIPS64 | unicorn.UC_MODE_BIG_ENDIAN)
        self.uc.ctl_set_cpu_model(mips_const.UC_CPU_MIPS64_R4000)
        self.uc.mem_map(0, 0x40_0000)
        self.uc.hook_add(unicorn.UC_HOOK_INTR, self._raised)
        self.probes = program([row], AT, seed)
        self.exception = 0
        for address, data in ((AT, self.probes.code), (OPERANDS_AT, self.probes.operands)):
            self.uc.mem_write(address & 0x1FFF_FFFF, data)
        for register, address in ((OPERANDS, OPERANDS_AT), (RESULTS, RESULTS_AT), (DATA, DATA_AT)):
            self.uc.reg_write(GPR + register, address)

    def results(self) -> list[Results]:
        start = AT
        for placed in self.probes.cells:
            self._run(start, placed)
            start = placed.end
        return results_of(bytes(self.uc.mem_read(RESULTS_AT & 0x1FFF_FFFF, len(self.probes.operands))))

    def _run(self, start: int, placed: Placed) -> None:
        """Runs a cell; its program counter is no use after an exception, but only the probe can have raised one."""
        while True:
            self.exception = 0
            try:
                self.uc.emu_start(start, placed.end)
            except unicorn.UcError:
                assert self.exception
            if not self.exception:
                return
            self.uc.reg_write(GPR + MARK, TRAPS.index(EXCEPTIONS[self.exception]))
            start = placed.probe + 4

    def _raised(self, uc: Any, number: int, _: Any) -> None:
        self.exception = number
        uc.emu_stop()


QEMU_AT = 0x2000_0000
PREFIX = "mips64-linux-gnuabi64-"
QEMU_NEEDS = ("qemu-mips64", PREFIX + "as", PREFIX + "ld")
RUNNER = Path(__file__).with_name("probe_runner.S")

#: The signal that Linux makes of each exception: SIGFPE, SIGTRAP, SIGBUS.
_SIGNALS = {"": 0, "overflow": 8, "trap": 5, "address-error-load": 10, "address-error-store": 10}


def signal(mark: int) -> int:
    """What QEMU's results have for our mark of a trap."""
    return _SIGNALS[TRAPS[mark]]


def run_in_qemu(code: bytes, operands: bytes, folder: Path) -> bytes:
    """The results of a program of probes, which is built in a folder."""
    (folder / "code").write_bytes(code)
    (folder / "operands").write_bytes(operands)
    for command in (
        f"{PREFIX}as -EB -march=vr4300 -mabi=64 --defsym RESULTS={len(operands)} -o runner.o {RUNNER}",
        f"{PREFIX}ld -static -Ttext={QEMU_AT:#x} -o runner runner.o",
    ):
        subprocess.run(command.split(), cwd=folder, check=True)
    done = subprocess.run(["qemu-mips64", "-cpu", "R4000", "./runner"], cwd=folder, capture_output=True, check=False)
    if (done.returncode, done.stderr, len(done.stdout)) != (0, b"", len(operands)):
        raise RuntimeError(f"qemu-mips64: status {done.returncode}, {len(done.stdout)} bytes: {done.stderr!r}")
    return done.stdout


def qemu_results(rows: Sequence[Row], folder: Path, seed: int = 0) -> dict[str, list[Results]]:
    """By name of a row, what QEMU leaves of its cases."""
    probes = program(rows, QEMU_AT, seed)
    printed = results_of(run_in_qemu(probes.code, probes.operands, folder))
    results: dict[str, list[Results]] = {}
    start = 0
    for row in rows:
        end = start + sum(len(cell.cases) for cell in cells_of(row, seed))
        results[row.name] = printed[start:end]
        start = end
    return results
