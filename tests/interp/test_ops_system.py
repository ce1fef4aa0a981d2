"""Traps, CP0 moves, no-ops and what is refused (R4K App. A)."""

from __future__ import annotations

import pytest
from guest_runs import CODE, DATA, run

MAX64, MIN64 = (1 << 63) - 1, -1 << 63

# (s, t): which of tge tgeu tlt tltu teq tne trap
CONDITIONS = {
    (0, 0): {"tge", "tgeu", "teq"},
    (1, 0): {"tge", "tgeu", "tne"},
    (0, 1): {"tlt", "tltu", "tne"},
    (-1, 0): {"tlt", "tgeu", "tne"},
    (0, -1): {"tge", "tltu", "tne"},
    (-1, -1): {"tge", "tgeu", "teq"},
    (MIN64, MAX64): {"tlt", "tgeu", "tne"},
    (MAX64, MIN64): {"tge", "tltu", "tne"},
    (0xFFFF_FFFF, -1): {"tge", "tltu", "tne"},
}
NAMES = ("tge", "tgeu", "tlt", "tltu", "teq", "tne")
IMMEDIATES = {"tge": "tgei", "tgeu": "tgeiu", "tlt": "tlti", "tltu": "tltiu", "teq": "teqi", "tne": "tnei"}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("s", "t"), CONDITIONS)
def test_a_trap_instruction_traps_where_its_condition_holds(name: str, s: int, t: int) -> None:
    forms = [f"{name} s=4 t=5 code=3"]
    if -0x8000 <= t <= 0x7FFF:
        forms.append(f"{IMMEDIATES[name]} s=4 i={t}")
    for form in forms:
        after = run(["addiu t=2 i=1", form, "addiu t=2 i=2"], {4: s, 5: t})
        if name in CONDITIONS[s, t]:
            assert (after.stop.kind, after.stop.trap, after.stop.at) == ("trap", "trap", CODE + 4)
            assert (after[2], after.stop.steps) == (1, 1)
        else:
            assert (after.stop.kind, after[2]) == ("returned", 2)


@pytest.mark.parametrize(
    ("code", "trap"),
    [
        ("syscall code=99", "syscall"),
        ("break code=7", "break"),
        ("tlbr", "refused"),
        ("tlbwi", "refused"),
        ("tlbwr", "refused"),
        ("tlbp", "refused"),
        ("eret", "refused"),
    ],
)
def test_what_leaves_the_function_stops_the_run(code: str, trap: str) -> None:
    after = run(["addiu t=2 i=1", code, "addiu t=2 i=2"])
    assert (after.stop.kind, after.stop.trap, after.stop.at, after[2]) == ("trap", trap, CODE + 4, 1)


# R4K fig. A-2, p. 196: reserved words; coprocessor 2 is absent; reserved FP formats are an FP exception.
@pytest.mark.parametrize(
    ("word", "trap"),
    [
        (0x0085_100A, "reserved-instruction"),  # movz
        (0x7085_1002, "reserved-instruction"),  # mul
        (0x0085_1061, "reserved-instruction"),  # addu with a reserved field set
        (0x4462_0000, "reserved-instruction"),  # mfhc1
        (0x4802_0000, "coprocessor-unusable"),  # mfc2
        (0xC880_0000, "coprocessor-unusable"),  # lwc2
        (0xF880_0000, "coprocessor-unusable"),  # sdc2
        (0x46C0_0000, "unimplemented-operation"),  # add.ps
        (0x4600_0020, "unimplemented-operation"),  # cvt.s.s
    ],
)
def test_a_word_that_is_no_instruction_traps(word: int, trap: str) -> None:
    after = run(["addiu t=2 i=1", word, "addiu t=2 i=2"])
    assert (after.stop.trap, after.stop.at, after.stop.detail) == (trap, CODE + 4, f"word {word:08x}")
    assert (after[2], after.stop.steps) == (1, 1)


def test_sync_and_cache_do_nothing() -> None:
    after = run(["sync", "cache t=21 s=4 i=3"], {4: DATA + 1})
    assert (after.stop.kind, after.stop.steps) == ("returned", 2)
    assert after.machine.get_state().gpr == tuple(DATA + 1 if n == 4 else 0 for n in range(32))


def test_cp0_registers_keep_what_was_moved_there() -> None:
    wide = 0x1234_5678_9ABC_DEF0
    after = run(["dmtc0 t=4 d=30", "dmfc0 t=2 d=30", "mfc0 t=3 d=30", "mtc0 t=4 d=14", "dmfc0 t=5 d=14"], {4: wide})
    assert (after[2], after[3], after[5]) == (wide, -0x6543_2110, -0x6543_2110)
    assert run(["mfc0 t=0 d=12"])[0] == 0


def test_status_tells_that_the_fpu_is_on_and_how_wide_it_is() -> None:
    # R4K fig. 4-10: CU1 is bit 29, FR bit 26.
    assert run(["mfc0 t=2 d=12"], fr=False)[2] == 0x2000_0000
    assert run(["mfc0 t=2 d=12"], fr=True)[2] == 0x2400_0000


OFF = ["mfc0 t=2 d=12", "lui t=3 i=0x2000", "nor d=3 s=3 t=0", "and d=2 s=2 t=3", "mtc0 t=2 d=12"]
ON = ["mfc0 t=2 d=12", "lui t=3 i=0x2000", "or d=2 s=2 t=3", "mtc0 t=2 d=12"]


@pytest.mark.parametrize(
    "use", ["add.s", "mov.d", "mtc1 t=2 d=2", "cfc1 t=2 d=31", "bc1t i=1", "lwc1 t=2 s=4", "sdc1 t=2 s=4"]
)
def test_coprocessor_1_is_unusable_while_cu1_is_clear(use: str) -> None:
    # R4K ch. 5, CpU: any instruction of the coprocessor, its loads, stores and branches too.
    after = run([*OFF, use, "sll"], {4: DATA})
    assert (after.stop.kind, after.stop.trap, after.stop.at) == ("trap", "coprocessor-unusable", CODE + 4 * len(OFF))
    assert run([*OFF, *ON, use, "sll"], {4: DATA}).stop.kind == "returned"


def test_an_instruction_that_ran_before_cu1_was_cleared_traps_when_it_comes_round_again() -> None:
    loop = ["mtc1 t=4 d=2", *OFF, f"bne s=4 i={-len(OFF) - 2}", "addiu t=4 s=4 i=-1"]
    after = run(loop, {4: 5})
    assert (after.stop.trap, after.stop.at, after[4]) == ("coprocessor-unusable", CODE, 4)


def test_every_run_begins_with_coprocessor_1_usable() -> None:
    after = run(["mtc1 t=4 d=2", *OFF])
    assert after.stop.kind == "returned"
    after.machine.set_state((0,) * 32, 0, 0, (0,) * 32, 0)
    assert after.machine.run(CODE, CODE + 4 * (len(OFF) + 1), 100).kind == "returned"


def test_a_change_of_the_fr_bit_is_refused() -> None:
    flip = ["lui t=3 i=0x2400", "mtc0 t=3 d=12"]
    assert run(flip, fr=True).stop.kind == "returned"
    after = run(flip, fr=False)
    assert (after.stop.trap, after.stop.at) == ("refused", CODE + 4)
