"""The traced replay: what each instruction read and wrote, and that it ends as the run does."""

from __future__ import annotations

import random
from collections.abc import Mapping

import pytest

from harness.engines.base import PAGE
from harness.engines.replay import Replays, Step
from harness.program.assembly import encode
from interp.machine import Machine
from interp.memory import Memory
from interp.optable import ROWS, Kind

CODE, DATA = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8001_0000


def words(*instructions: str | int) -> bytes:
    """A page that begins with instructions: a word, or ``name field=number ...``."""
    code = b""
    for instruction in instructions:
        if isinstance(instruction, str):
            name, *fields = instruction.split()
            instruction = encode(name, **{letter: int(n) for letter, n in (field.split("=") for field in fields)})
        code += instruction.to_bytes(4, "big")
    return code.ljust(PAGE, b"\0")


def registers(values: Mapping[int, int]) -> list[int]:
    return [values.get(n, 0) % (1 << 64) for n in range(32)]


def machine_with(*code: str | int, gpr: dict[int, int] | None = None, fr: bool = False) -> Machine:
    memory = Memory()
    memory.map(CODE, words(*code), writable=False)
    memory.map(DATA, bytes(range(256)).ljust(PAGE, b"\0"), writable=True)
    machine = Machine(memory, fr)
    machine.set_state(registers({4: DATA, **(gpr or {})}), 0, 0, [0] * 32, 0)
    return machine


def trace(*code: str | int, gpr: dict[int, int] | None = None, fuel: int = 100, fr: bool = False) -> list[Step]:
    return list(Replays(machine_with(*code, gpr=gpr, fr=fr)).steps(CODE, CODE + 4 * len(code), fuel))


def test_registers_read_and_written_are_told_with_unsigned_values() -> None:
    (step,) = trace("addu d=2 s=5 t=6", gpr={5: -1, 6: 3})
    assert step.address == CODE and step.insn is not None and step.insn.row.name == "addu"
    assert step.reads == {("gpr", 5): 0xFFFF_FFFF_FFFF_FFFF, ("gpr", 6): 3}
    assert step.writes == {("gpr", 2): 2}
    assert (step.access, step.taken, step.trap) == (None, None, "")


def test_a_register_that_is_overwritten_tells_its_value_before() -> None:
    (step,) = trace("lbu t=4 s=4 i=5")
    assert step.reads == {("gpr", 4): DATA, ("mem", DATA + 5): 5}
    assert (step.writes, step.access) == ({("gpr", 4): 5}, (DATA + 5, 1, False))


def test_memory_is_told_byte_by_byte() -> None:
    load, store = trace("lh t=2 s=4 i=6", "sw t=2 s=4 i=8")
    assert load.reads == {("gpr", 4): DATA, ("mem", DATA + 6): 6, ("mem", DATA + 7): 7}
    assert store.writes == {("mem", DATA + 8 + n): byte for n, byte in enumerate((0, 0, 6, 7))}
    assert store.access == (DATA + 8, 4, True)


def test_unaligned_halves_tell_only_the_bytes_that_they_move() -> None:
    left, right = trace("lwl t=2 s=4 i=1", "swr t=2 s=4 i=9", gpr={2: 0x44})
    assert left.reads == {("gpr", 4): DATA, ("gpr", 2): 0x44, **{("mem", DATA + n): n for n in (1, 2, 3)}}
    assert left.writes == {("gpr", 2): 0x0102_0344}
    assert right.writes == {("mem", DATA + 8): 0x03, ("mem", DATA + 9): 0x44}


def test_register_zero_is_never_written() -> None:
    (step,) = trace("addiu t=0 s=0 i=5")
    assert (step.reads, step.writes) == ({("gpr", 0): 0}, {})


def test_branches_and_slots_are_steps_of_their_own() -> None:
    code = ("bnel s=0 t=0 i=2", "addiu t=2 i=1", "beq i=2", "addiu t=3 i=1", "syscall", "jalr d=31 s=5", "sll", "sll")
    path = trace(*code, gpr={5: CODE + 28})
    assert [(step.address - CODE) // 4 for step in path] == [0, 2, 3, 5, 6, 7]
    assert [step.taken for step in path] == [False, True, None, True, None, None]
    assert path[3].writes == {("gpr", 31): CODE + 28}


@pytest.mark.parametrize(
    ("code", "trap", "fault"),
    [
        ("lw t=2 s=4 i=2", "address-error-load", DATA + 2),
        ("sd t=2 s=4 i=-8", "tlb-store", DATA - 8),
        ("teq", "trap", None),
        (0x7085_1002, "reserved-instruction", None),
    ],
)
def test_a_trap_ends_the_trace_with_a_step_that_wrote_nothing(code: str | int, trap: str, fault: int | None) -> None:
    path = trace("sll", code, "sll")
    assert [step.trap for step in path] == ["", trap]
    assert (path[-1].writes, path[-1].fault_address, path[-1].address) == ({}, fault, CODE + 4)


def test_what_the_machine_refuses_the_replay_refuses() -> None:
    path = trace("beq i=1", "beq i=1", "sll")
    assert (path[-1].trap, path[-1].address) == ("refused", CODE + 4)
    path = trace("mtc0 t=0 d=12", "mtc1 t=2 d=2")
    assert (path[-1].trap, path[-1].address, path[-1].writes) == ("coprocessor-unusable", CODE + 4, {})
    path = trace("jr s=4", "sll", "sll")
    assert (path[-1].trap, path[-1].insn, path[-1].address, path[-1].fault_address) == ("tlb-fetch", None, DATA, DATA)


def test_fuel_counts_steps() -> None:
    assert len(trace("beq i=-1", "sll", fuel=7)) == 7


def test_a_store_conditional_that_fails_writes_no_byte() -> None:
    (step,) = trace("sc t=2 s=4", gpr={2: 5})
    assert (step.writes, step.access) == ({("gpr", 2): 0}, (DATA, 4, True))
    assert ("mem", DATA) in trace("ll t=2 s=4", "sc t=2 s=4")[1].writes


def test_a_doubleword_without_fr_is_told_as_a_pair() -> None:
    (step,) = trace("ldc1 ft=6 s=4")
    assert step.writes == {("fpr", 7): 0x0001_0203, ("fpr", 6): 0x0405_0607}
    (step,) = trace("ldc1 ft=6 s=4", fr=True)
    assert step.writes == {("fpr", 6): 0x0001_0203_0405_0607}


def test_the_replay_of_a_machine_with_ieee_results_has_them_too() -> None:
    # R4K p. 196: the chip leaves a denormal operand to software.
    for ieee, trap in ((False, "unimplemented-operation"), (True, "")):
        machine = Machine(machine_with("add.s fd=2 fs=1 ft=0").memory, True, ieee=ieee)
        machine.set_state([0] * 32, 0, 0, [0, 1, *[0] * 30], 0)
        (step,) = Replays(machine).steps(CODE, CODE + 4, 1)
        assert (step.trap, step.writes.get(("fpr", 2))) == (trap, 1 if ieee else None)


def test_a_replay_ends_as_the_run_does() -> None:
    """Random straight code over every row that can run there: the same registers, memory and trap."""
    rng = random.Random(3)
    rows = [row for row in ROWS if row.kind in (Kind.ALU, Kind.LOAD, Kind.STORE, Kind.FLOAT, Kind.TRAP)]
    for fr in (False, True):
        for _ in range(60):
            code = []
            for row in rng.choices(rows, k=20):
                drawn = {letter: rng.getrandbits(bits) for letter, (_, bits) in row.fields.items()}
                small = {letter: field & (0x78 if letter == "i" else 30) for letter, field in drawn.items()}
                code.append(encode(row.name, **small))
            gpr: dict[int, int] = {n: rng.choice([DATA, 1, -1, rng.getrandbits(31)]) for n in range(1, 32)}
            run, replayed = machine_with(*code, gpr=gpr, fr=fr), machine_with(*code, gpr=gpr, fr=fr)
            stop = run.run(CODE, CODE + 80, 100)
            path = list(Replays(replayed).steps(CODE, CODE + 80, 100))
            assert path[-1].trap == stop.trap
            assert stop.steps == len(path) - (1 if stop.trap else 0)
            assert replayed.get_state() == run.get_state()
            assert replayed.memory.read(DATA, 256) == run.memory.read(DATA, 256)


def test_a_replay_knows_that_the_code_is_another() -> None:
    machine = machine_with("addiu t=2 s=0 imm=1")
    replays = Replays(machine)
    (step,) = replays.steps(CODE, CODE + 4, 1)
    assert step.writes == {("gpr", 2): 1}
    machine.memory.clear()
    machine.memory.map(CODE, words("addiu t=2 s=0 imm=2"), writable=False)
    (step,) = replays.steps(CODE, CODE + 4, 1)
    assert step.writes == {("gpr", 2): 2}


def test_a_replay_ends_at_each_run_s_own_end() -> None:
    replays = Replays(machine_with("addiu t=2 s=0 imm=1", "addiu t=2 s=0 imm=2", "addiu t=2 s=0 imm=3"))
    assert [len(list(replays.steps(CODE, CODE + 4 * n, 9))) for n in (3, 1, 2, 3)] == [3, 1, 2, 3]
