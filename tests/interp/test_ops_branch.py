"""Branches and jumps: conditions, delay slots, nullification, links (R4K 2.1, A-9, App. A)."""

from __future__ import annotations

import pytest
from guest_runs import CODE, coverage, run

MAX64, MIN64 = (1 << 63) - 1, -1 << 63
PAIRS = [(0, 0), (1, 0), (-1, -1), (0x8000_0000, -0x8000_0000), (MIN64, MAX64), (MAX64, MAX64)]
SINGLES = [0, 1, -1, 0x8000_0000, -0x8000_0000, MAX64, MIN64]

# name -> for which of PAIRS or SINGLES it is taken
TAKEN = {
    "beq": [True, False, True, False, False, True],
    "bne": [False, True, False, True, True, False],
    "blez": [True, False, True, False, True, False, True],
    "bgtz": [False, True, False, True, False, True, False],
    "bltz": [False, False, True, False, True, False, True],
    "bgez": [True, True, False, True, False, True, False],
    "bltzal": [False, False, True, False, True, False, True],
    "bgezal": [True, True, False, True, False, True, False],
}
CASES = [
    (name, operands if isinstance(operands, tuple) else (operands, 0), taken)
    for name, outcomes in TAKEN.items()
    for operands, taken in zip(PAIRS if name in ("beq", "bne") else SINGLES, outcomes, strict=True)
]


def likely(name: str) -> str:
    return {"bltzal": "bltzall", "bgezal": "bgezall"}.get(name, name + "l")


def code(name: str) -> list[str]:
    t = " t=5" if name[:3] in ("beq", "bne") else ""
    return [f"{name} s=4{t} i=3", "addiu t=2 s=2 i=1", "addiu t=3 s=3 i=1", "addiu t=3 s=3 i=2", "sll"]


@pytest.mark.parametrize(("name", "operands", "taken"), CASES)
def test_a_branch_runs_its_slot_and_goes_where_its_condition_says(
    name: str, operands: tuple[int, int], taken: bool
) -> None:
    after = run(code(name), {4: operands[0], 5: operands[1]})
    assert (after[2], after[3]) == (1, 0 if taken else 3)
    assert after["ra"] % (1 << 64) == (CODE + 8 if name.endswith("al") else 0)
    assert after.stop.steps == (3 if taken else 5)
    assert coverage(after.machine)[1] == {(CODE, taken)}


@pytest.mark.parametrize(("name", "operands", "taken"), CASES)
def test_a_likely_branch_that_is_not_taken_skips_its_slot(name: str, operands: tuple[int, int], taken: bool) -> None:
    after = run(code(likely(name)), {4: operands[0], 5: operands[1]})
    assert (after[2], after[3]) == ((1, 0) if taken else (0, 3))
    assert after["ra"] % (1 << 64) == (CODE + 8 if name.endswith("al") else 0)
    assert after.stop.steps == (3 if taken else 4)
    instructions, edges = coverage(after.machine)
    assert edges == {(CODE, taken)}
    assert (CODE + 4 in instructions) is taken


def test_the_condition_is_decided_before_the_slot() -> None:
    after = run(["beq s=4 t=0 i=2", "addiu t=4 s=4 i=1", "addiu t=2 i=1", "sll"])
    assert (after[2], after[4]) == (0, 1)
    after = run(["bnel s=4 t=0 i=2", "addiu t=4 i=0", "addiu t=2 i=1", "sll"], {4: 1})
    assert (after[2], after[4]) == (0, 0)


def test_a_branch_backwards_loops() -> None:
    after = run(["addiu t=2 s=2 i=3", "addiu t=4 s=4 i=-1", "bne s=4 t=0 i=-3", "sll"], {4: 5})
    assert (after[2], after.stop.steps) == (15, 20)
    assert coverage(after.machine)[1] == {(CODE + 8, True), (CODE + 8, False)}


def test_jumps_go_to_their_field_and_link_behind_the_slot() -> None:
    index = (CODE + 12 & 0x0FFF_FFFF) >> 2
    after = run([f"j j={index}", "addiu t=2 i=1", "addiu t=3 i=1", "sll"], {31: 5})
    assert (after[2], after[3], after["ra"]) == (1, 0, 5)
    after = run([f"jal j={index}", "or d=2 s=31 t=0", "addiu t=3 i=1", "sll"])
    assert (after[2] % (1 << 64), after[3], after["ra"] % (1 << 64)) == (CODE + 8, 0, CODE + 8)


def test_register_jumps_read_their_target_before_the_slot_and_the_link() -> None:
    after = run(["jr s=4", "addiu t=4 i=0", "addiu t=3 i=1", "sll"], {4: CODE + 12})
    assert (after.stop.kind, after[3], after[4]) == ("returned", 0, 0)
    after = run(["jalr d=31 s=4", "sll", "addiu t=3 i=1", "sll"], {4: CODE + 12})
    assert (after[3], after["ra"] % (1 << 64)) == (0, CODE + 8)
    after = run(["jalr d=5 s=4", "sll", "addiu t=3 i=1", "sll"], {4: CODE + 12, 31: 7})
    assert (after[3], after[5] % (1 << 64), after["ra"]) == (0, CODE + 8, 7)
    after = run(["jalr d=0 s=4", "sll", "addiu t=3 i=1", "sll"], {4: CODE + 12})
    assert (after[0], after[3]) == (0, 0)


def test_a_link_register_that_is_also_the_source_is_open_and_read_first() -> None:
    after = run(["jalr d=4 s=4", "sll", "addiu t=3 i=1", "sll"], {4: CODE + 12})
    assert (after[3], after[4] % (1 << 64)) == (0, CODE + 8)
    assert list(after.machine.events) == [("link-register", CODE)]
    after = run(["bltzal s=31 i=2", "sll", "addiu t=3 i=1", "sll"], {31: -1})
    assert (after[3], after["ra"] % (1 << 64), list(after.machine.events)) == (0, CODE + 8, [("link-register", CODE)])


@pytest.mark.parametrize("second", ["beq i=1", "jr s=4", "j", "bnel s=4 t=0 i=1", "bc1t i=1"])
def test_a_branch_in_a_delay_slot_is_open_and_refused(second: str) -> None:
    after = run(["addiu t=2 i=1", "beq i=3", second, "sll", "sll"], {4: CODE})
    assert (after.stop.kind, after.stop.trap, after.stop.at, after.stop.steps) == ("trap", "refused", CODE + 8, 2)
    assert list(after.machine.events) == [("branch-in-delay-slot", CODE + 8)]
    assert after[2] == 1


def test_a_branch_in_a_nullified_slot_is_not_reached() -> None:
    after = run(["bnel s=0 t=0 i=3", "beq i=3", "addiu t=2 i=1", "sll"])
    assert (after.stop.kind, after[2], list(after.machine.events)) == ("returned", 1, [])


@pytest.mark.parametrize(
    ("target", "kind"),
    [
        (CODE + 2, "address-error-fetch"),
        (CODE + 1, "address-error-fetch"),
        (0x8000_1000, "address-error-fetch"),
        (0xFFFF_FFFF_8001_0000, "tlb-fetch"),  # writable data
        (0xFFFF_FFFF_8020_0000, "tlb-fetch"),
        (0, "tlb-fetch"),
    ],
)
def test_a_jump_to_where_no_code_is_traps_at_its_target(target: int, kind: str) -> None:
    after = run(["jr s=4", "addiu t=2 i=1", "sll"], {4: target})
    assert (after.stop.trap, after.stop.at, after.stop.fault_address, after.stop.steps) == (kind, target, target, 2)
    assert after[2] == 1


def test_code_runs_in_kseg1_too() -> None:
    alias = CODE + 0x2000_0000
    after = run(["jr s=4", "sll", "jal j=1028", "sll", "sll"], {4: alias + 8}, until=alias + 16)
    assert (after.stop.kind, after["ra"] % (1 << 64)) == ("returned", alias + 16)
