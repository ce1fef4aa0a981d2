#!/usr/bin/env python3
"""Measures the interpreter: against the same loops written out by hand in Python, against the Unicorn leg, and how
long it takes to prepare code.

Each mix is a guest loop and its Python twin, statement for instruction. The twins call the same soft-float and the same
``Memory``, so that the ratio says what the machine adds to these. All must leave the same registers, FCR31
included. Ratios hold on any computer where times do not. Exit status 1 where a figure misses its bar.
"""

from __future__ import annotations

import re
import struct
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from harness.abi import GPR_NAMES  # noqa: E402
from harness.engines.base import PAGE, RETURN_ADDRESS, Engine, MachineState, Region, Target  # noqa: E402
from harness.engines.reference import Reference  # noqa: E402
from harness.engines.unicorn import Unicorn  # noqa: E402
from harness.program.assembly import encode  # noqa: E402
from harness.program.elf import load_elf  # noqa: E402
from interp.machine import Machine  # noqa: E402
from interp.memory import Memory  # noqa: E402
from interp.softfloat import DOUBLE, LESS, SINGLE  # noqa: E402
from interp.words import sext64, zext64  # noqa: E402

CODE, DATA = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8001_0000
IMAGE = ROOT / "fixtures/tideclock/bin/tideclock-o32-O2.elf"
ROUNDS, REPEATS = 20_000, 5
M32, M64, SIGN = 0xFFFF_FFFF, 0xFFFF_FFFF_FFFF_FFFF, 0x8000_0000
#: FCR31: what an operation keeps, the cause and flag bits of the lowest exception, and C.
KEPT, RAISED, CONDITION = ~0x3F000, 0x1004, 1 << 23
ONE, THIRD, TENTH = (struct.unpack(">I", struct.pack(">f", x))[0] for x in (1.0, 1 / 3, 0.1))
(FOURTEEN_TENTHS,) = struct.unpack(">Q", struct.pack(">d", 1.4))

RATIO_BARS = {"integer": 0.22, "memory": 0.35, "floating point, paired": 0.80, "floating point, flat": 0.80}
PREPARING_BAR = 5.0  # us an instruction


class Mix(NamedTuple):
    """A loop that counts a0 down to 0, and its twin.

    ``values`` are those of registers at its start; the twin takes the counter and the values, and gives the values of
    ``results`` at the end, each 32 bits but for the ``doubles``.
    """

    name: str
    code: str
    values: dict[str, int]
    results: str
    twin: Callable[..., tuple[int, ...]]
    fr: bool = False


INTEGER = """
    sll t=t0 d=t2 a=5        / addu s=t2 t=t0 d=t0     / xor s=t0 t=a0 d=t0        / srl t=t0 d=t2 a=7
    subu s=t0 t=t2 d=t0      / andi s=t0 t=t3 i=255    / or s=t1 t=t3 d=t1         / sltu s=t0 t=s0 d=t4
    addu s=v0 t=t4 d=v0      / sra t=t0 d=t5 a=3       / addiu s=a0 t=a0 i=-1      / bne s=a0 t=zero i=-12
    nor s=v1 t=t5 d=v1
"""


def integer(a0: int, t0: int, t1: int, v0: int, v1: int, s0: int) -> tuple[int, ...]:
    while True:
        t2 = t0 << 5 & M32
        t0 = t2 + t0 & M32
        t0 = t0 ^ a0
        t2 = t0 >> 7
        t0 = t0 - t2 & M32
        t3 = t0 & 255
        t1 = t1 | t3
        t4 = 1 if t0 < s0 else 0
        v0 = v0 + t4 & M32
        t5 = ((t0 ^ SIGN) - SIGN) >> 3 & M32
        a0 = a0 - 1 & M32
        more = a0 != 0
        v1 = ~(v1 | t5) & M32
        if not more:
            return t0, t1, v0, v1


MEMORY = """
    andi s=a0 t=t0 i=0xffc   / addu s=t0 t=a1 d=t0     / lw s=t0 t=t1 i=0          / lbu s=t0 t=t2 i=2
    addu s=t1 t=a0 d=t1      / addu s=v0 t=t2 d=v0     / sw s=t0 t=t1 i=0          / lh s=t0 t=t3 i=2
    sb s=t0 t=t3 i=3         / addiu s=a0 t=a0 i=-1    / bne s=a0 t=zero i=-11     / addu s=v0 t=t3 d=v0
"""


def memory(a0: int, v0: int, a1: int) -> tuple[int, ...]:
    guest = Memory()
    guest.map(DATA, bytes(PAGE), writable=True)
    load, store, a1 = guest.load, guest.store, sext64(a1)
    while True:
        t0 = a0 & 0xFFC
        t0 = t0 + a1
        t1 = load(t0, 4)
        t2 = load(t0 + 2, 1)
        t1 = t1 + a0 & M32
        v0 = v0 + t2 & M32
        store(t0, 4, t1)
        t3 = (load(t0 + 2, 2) ^ 0x8000) - 0x8000
        store(t0 + 3, 1, t3)
        a0 = a0 - 1 & M32
        more = a0 != 0
        v0 = v0 + t3 & M32
        if not more:
            return (v0,)


FLOAT = """
    mul.s fd=2 fs=0 ft=4     / add.s fd=2 fs=2 ft=6    / mul.s fd=2 fs=2 ft=0      / add.s fd=2 fs=2 ft=8
    div.s fd=0 fs=4 ft=2     / cvt.d.s fd=10 fs=0      / mul.d fd=12 fs=10 ft=14   / add.d fd=12 fs=12 ft=16
    mul.d fd=12 fs=12 ft=10  / sub.d fd=14 fs=12 ft=10 / sqrt.d fd=14 fs=14        / c.lt.d fs=12 ft=14
    cvt.s.d fd=18 fs=14      / addiu s=a0 t=a0 i=-1    / bne s=a0 t=zero i=-15     / add.s fd=20 fs=20 ft=18
"""


def unfinished(raised: int) -> int:
    """More than an inexact result: the chip may have to stop, and the twin would go wrong."""
    raise ValueError(f"the floating-point mix raised {raised:#x}")


def floating(a0: int, f0: int, f4: int, f6: int, f8: int, f14: int, f16: int, f20: int) -> tuple[int, ...]:
    add_s, mul_s, div_s, to_s = SINGLE.add, SINGLE.mul, SINGLE.div, SINGLE.convert
    add_d, sub_d, mul_d, root_d = DOUBLE.add, DOUBLE.sub, DOUBLE.mul, DOUBLE.sqrt
    to_d, compare_d = DOUBLE.convert, DOUBLE.compare
    fcsr = 0
    while True:
        f2, raised = mul_s(f0, f4, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f2, raised = add_s(f2, f6, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f2, raised = mul_s(f2, f0, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f2, raised = add_s(f2, f8, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f0, raised = div_s(f4, f2, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f10, raised = to_d(SINGLE, f0, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f12, raised = mul_d(f10, f14, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f12, raised = add_d(f12, f16, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f12, raised = mul_d(f12, f10, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f14, raised = sub_d(f12, f10, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        f14, raised = root_d(f14, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        relation, raised = compare_d(f12, f14, True)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        fcsr = fcsr | CONDITION if relation & LESS else fcsr & ~CONDITION
        f18, raised = to_s(DOUBLE, f14, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        a0 = a0 - 1 & M32
        more = a0 != 0
        f20, raised = add_s(f20, f18, fcsr & 3)
        fcsr = fcsr & KEPT | raised * RAISED if raised < 2 else unfinished(raised)
        if not more:
            return f0, f14, f20, fcsr


SEEDS = {"f0": ONE, "f4": ONE, "f6": THIRD, "f8": TENTH, "f14": FOURTEEN_TENTHS, "f16": FOURTEEN_TENTHS, "f20": 0}
FLOATS = "f0 f14 f20 fcsr"
MIXES = (
    Mix("integer", INTEGER, {"t0": 1, "t1": 0, "v0": 0, "v1": 0, "s0": 0x4000_0000}, "t0 t1 v0 v1", integer),
    Mix("memory", MEMORY, {"v0": 0, "a1": DATA}, "v0", memory),
    Mix("floating point, paired", FLOAT, SEEDS, FLOATS, floating),
    Mix("floating point, flat", FLOAT, SEEDS, FLOATS, floating, fr=True),
)
DOUBLES = (10, 12, 14, 16)  # the FPRs that hold them


def assembled(text: str) -> bytes:
    """The words of ``name field=number`` instructions, a general register also by its name."""
    words = []
    for instruction in re.split("[/\n]", text.strip()):
        name, *fields = instruction.split()
        pairs = (field.split("=") for field in fields)
        words.append(encode(name, **{k: GPR_NAMES.index(v) if v in GPR_NAMES else int(v, 0) for k, v in pairs}))
    return struct.pack(f">{len(words)}I", *words)


def made(mix: Mix) -> tuple[Target, MachineState]:
    """The loop as a function, and the state to call it from."""
    code = (assembled(mix.code) + assembled("jr s=ra / sll")).ljust(PAGE, b"\0")
    region = Region(CODE, code, writable=False)
    gpr, fpr = [0] * 32, [0] * 32
    gpr[GPR_NAMES.index("ra")], gpr[GPR_NAMES.index("a0")] = RETURN_ADDRESS, ROUNDS
    for register, value in mix.values.items():
        n = int(register[1:]) if register[0] == "f" else -1
        if n < 0:
            gpr[GPR_NAMES.index(register)] = value
        elif n in DOUBLES and not mix.fr:
            fpr[n], fpr[n + 1] = value & M32, value >> 32
        else:
            fpr[n] = value
    state = MachineState(None, tuple(gpr), 0, 0, tuple(fpr), 0, mix.fr, (region, Region(DATA, bytes(PAGE), True)))
    return Target(mix.name, CODE, len(code), (region,), mix.fr), state


def observed(mix: Mix, after: MachineState) -> tuple[int | None, ...]:
    """The results of a mix in a state, as its twin gives them."""
    found: list[int | None] = []
    for register in mix.results.split():
        n = int(register[1:]) if register[0] == "f" and register[1:].isdigit() else -1
        if register == "fcsr":
            found.append(after.fcsr)
        elif n < 0:
            found.append((after.gpr[GPR_NAMES.index(register)] or 0) & M32)
        elif n in DOUBLES and not mix.fr:
            found.append((after.fpr[n + 1] or 0) << 32 | (after.fpr[n] or 0))
        else:
            found.append((after.fpr[n] or 0) & (M64 if n in DOUBLES else M32))
    return tuple(found)


def seconds(call: Callable[[], object]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start


def measure(mix: Mix) -> tuple[float, float]:
    """Speed of the machine as a part of its twin's and of Unicorn's: the best of interleaved runs.

    Errors: AssertionError where the three do not end with the same registers.
    """
    target, state = made(mix)
    engines: tuple[Engine, ...] = (Reference(), Unicorn())
    fuel = ROUNDS * len(assembled(mix.code)) + 2
    twin = partial(mix.twin, ROUNDS, *mix.values.values())
    for engine in engines:
        engine.load(target)
        after = engine.run(state, fuel).after
        assert after is not None and observed(mix, after) == twin(), f"{mix.name}: {engine.name} and the twin differ"
    calls: list[Callable[[], object]] = [twin, *(partial(engine.run, state, fuel) for engine in engines)]
    rounds = [[seconds(call) for call in calls] for _ in range(REPEATS)]
    by_hand, machine, unicorn = map(min, zip(*rounds, strict=True))
    return by_hand / machine, unicorn / machine


def preparing() -> float:
    """Microseconds an instruction to make the blocks of all functions of the bundled program, on a new machine."""
    program = load_elf(IMAGE)
    times = []
    for _ in range(REPEATS):
        memory = Memory()
        for region in program.code:
            memory.map(region.address, region.data, writable=False)
        assembler = Machine(memory, fr=False).assembler
        instructions = 0
        start = time.process_time()
        for function in program.functions:
            address = sext64(function.address)
            while zext64(address) < function.end:
                block = assembler.block(address, 1, 0)
                address += 4 * block.length
                instructions += block.length
        times.append((time.process_time() - start) / instructions)
    return min(times) * 1e6


def main() -> int:
    missed = 0
    print(f"{'mix':<24}{'to hand':>9}{'bar':>7}{'to Unicorn':>12}")
    for mix in MIXES:
        by_hand, unicorn = measure(mix)
        bar = RATIO_BARS[mix.name]
        missed += by_hand < bar
        print(f"{mix.name:<24}{by_hand:>9.2f}{bar:>7.2f}{unicorn:>12.4f}")
    cost = preparing()
    missed += cost > PREPARING_BAR
    print(f"{'preparing code':<24}{cost:>9.1f} us an instruction, bar {PREPARING_BAR:.1f}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
