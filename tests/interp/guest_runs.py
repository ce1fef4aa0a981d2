"""Runs a few instructions on a fresh machine: code at CODE, one writable page at DATA, RETURN right behind the code."""

from __future__ import annotations

import re
import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.abi import GPR_NAMES
from harness.engines import trail
from harness.program.assembly import encode
from interp.machine import Machine, Stop
from interp.memory import PAGE, Memory

CODE = 0xFFFF_FFFF_8000_1000
DATA = 0xFFFF_FFFF_8001_0000
NOP = encode("sll")


def word(text: str) -> int:
    """The word of ``name field=number ...``, numbers in Python's notation, registers by name too."""
    name, *fields = text.split()
    numbers = {}
    for field in fields:
        letter, value = re.split("=", field)
        numbers[letter] = GPR_NAMES.index(value) if value in GPR_NAMES else int(value, 0)
    return encode(name, **numbers)


def words(*instructions: str | int) -> bytes:
    """Code bytes of instructions, as text or as words."""
    return b"".join(struct.pack(">I", word(n) if isinstance(n, str) else n) for n in instructions)


def page(data: bytes) -> bytes:
    return data.ljust(-(-max(len(data), 1) // PAGE) * PAGE, b"\0")


def coverage(machine: Machine) -> tuple[frozenset[int], frozenset[tuple[int, bool]]]:
    """What the last run reached: instructions, and directions of branches."""
    reached = trail.coverage(machine)
    return reached.instructions, reached.edges


@dataclass
class Run:
    """What a run left."""

    machine: Machine
    stop: Stop

    def __getitem__(self, register: int | str) -> int:
        """A register as a signed number: a GPR by number or name, hi, lo."""
        state = self.machine.get_state()
        named = {"hi": state.hi, "lo": state.lo, **dict(zip(GPR_NAMES, state.gpr, strict=True))}
        value = state.gpr[register] if isinstance(register, int) else named[register]
        return value - (1 << 64) if value >> 63 else value

    def data(self, offset: int, size: int) -> str:
        return self.machine.memory.read(DATA + offset, size).hex()


def registers(values: Mapping[int | str, int]) -> list[int]:
    gpr = [0] * 32
    for register, value in values.items():
        gpr[register if isinstance(register, int) else GPR_NAMES.index(register)] = value % (1 << 64)
    return gpr


def run(
    code: Sequence[str | int],
    gpr: Mapping[int | str, int] = {},
    *,
    hi: int = 0,
    lo: int = 0,
    data: str = "",
    fuel: int = 1000,
    until: int | None = None,
    fr: bool = False,
    start: int = CODE,
) -> Run:
    """Runs ``code`` from its start until control reaches the address behind it."""
    memory = Memory()
    memory.map(start - start % PAGE, page(bytes(start % PAGE) + words(*code)), writable=False)
    memory.map(DATA, page(bytes.fromhex(data)), writable=True)
    machine = Machine(memory, fr)
    machine.set_state(registers(gpr), hi % (1 << 64), lo % (1 << 64), [0] * 32, 0)
    return Run(machine, machine.run(start, start + 4 * len(code) if until is None else until, fuel))
