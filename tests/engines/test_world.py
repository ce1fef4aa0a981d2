"""How the world outside answers: drawn from the state's number and what happened before, alone."""

from __future__ import annotations

import math
import struct

import pytest

from harness.abi import ABIS, GPR_NAMES
from harness.engines.base import PAGE, MachineState, Region
from harness.engines.outside import Boundary, DeviceWindow, Outside, Slot, Span
from harness.engines.world import MOST_EVENTS, World, clobbers
from interp.optable import Loc

DATA = 0xFFFF_FFFF_8001_0000
CRANE = DeviceWindow("crane", 0xFFFF_FFFF_A4F0_0000, 32, values=(0x80,))
TEXT = b"quay\0" + bytes(range(1, 12))


class Leg:
    """A view on registers and one page of memory; it does not see what is in ``hidden``."""

    def __init__(self, **registers: int) -> None:
        self.registers: dict[Loc, int] = {("gpr", GPR_NAMES.index(name)): value for name, value in registers.items()}
        self.data = bytearray(TEXT.ljust(PAGE, b"\0"))
        self.hidden: set[str] = set()

    def get(self, loc: Loc) -> int | None:
        return None if loc[0] in self.hidden else self.registers.get(loc, 0)

    def set(self, loc: Loc, value: int) -> None:
        self.registers[loc] = value

    def read(self, address: int, size: int) -> bytes:
        return bytes(self.data[address - DATA :][:size])

    def write(self, address: int, data: bytes) -> None:
        self.data[address - DATA : address - DATA + len(data)] = data


def world(draws: int, abi: str = "o32") -> World:
    fr = ABIS[abi].fr
    memory = (Region(DATA, bytes(PAGE), writable=True), Region(DATA + PAGE, bytes(PAGE), writable=False))
    before = MachineState(None, (0,) * 32, 0, 0, (0,) * 32, 0, fr, memory, draws)
    return World(Outside(ABIS[abi], {}, (CRANE,)), before)


def called(draws: int, result: str | tuple[int, ...], abi: str = "o32", **registers: int) -> dict[Loc, int]:
    leg = Leg(**registers)
    world(draws, abi).call(Boundary("port_send", 0, result=result), leg)
    return leg.registers


V0, V1, F0, F1 = ("gpr", 2), ("gpr", 3), ("fpr", 0), ("fpr", 1)


@pytest.mark.parametrize("size", [1, 2, 4])
@pytest.mark.parametrize("draws", range(1, 60))
def test_among_eight_reads_of_a_device_are_all_zeros_all_ones_and_a_favourite(draws: int, size: int) -> None:
    one = world(draws)
    values = {one.load(CRANE, CRANE.address + 8, size) for _ in range(8)}
    assert {0, (1 << 8 * size) - 1, 0x80} <= values


def test_each_register_of_a_device_has_its_own_sequence() -> None:
    """A loop that reads two registers in turn must see all of either, not every second value of one sequence."""
    one = world(5)
    pairs = [(one.load(CRANE, CRANE.address, 4), one.load(CRANE, CRANE.address + 4, 4)) for _ in range(8)]
    for values in zip(*pairs, strict=True):
        assert {0, 0xFFFF_FFFF} <= set(values)


def test_the_same_number_gives_the_same_answers_and_another_one_others() -> None:
    assert called(7, "integer") == called(7, "integer")
    assert called(7, "integer") != called(8, "integer")


def test_a_second_call_gives_another_answer() -> None:
    one, leg = world(7), Leg()
    one.call(Boundary("port_send", 0), leg)
    first = dict(leg.registers)
    one.call(Boundary("port_send", 0), leg)
    assert first != leg.registers


def test_the_number_zero_gives_nothing_but_zeros() -> None:
    assert set(called(0, "wide").values()) == {0}
    assert world(0).load(CRANE, CRANE.address, 4) == 0


def sign_extended(value: int) -> bool:
    return value < 1 << 31 or value >= (1 << 64) - (1 << 31)


def test_integers_are_words_and_often_at_corners() -> None:
    drawn = [called(draws, "integer")[V0] for draws in range(1, 300)]
    assert all(map(sign_extended, drawn))
    assert {0, 1, (1 << 64) - 1, 0xFFFF_FFFF_8000_0000, 0x7FFF_FFFF} <= set(drawn)
    assert len(set(drawn)) > 100


def test_other_results_are_what_they_say() -> None:
    assert {called(draws, "boolean")[V0] for draws in range(1, 40)} == {0, 1}
    assert {called(draws, (0, -1, 0x8000_0000))[V0] for draws in range(1, 60)} == {
        0,
        (1 << 64) - 1,
        0xFFFF_FFFF_8000_0000,
    }
    assert called(9, "a1", a1=0x1234)[V0] == 0x1234


def test_64_bits_take_one_register_or_two() -> None:
    """System V ABI, MIPS supplement: $2 holds the high word of a long long; n32 has it in one register."""
    high, low = zip(*((called(d, "wide")[V0], called(d, "wide")[V1]) for d in range(1, 40)), strict=True)
    assert all(map(sign_extended, high)) and all(map(sign_extended, low))
    assert not all(sign_extended(called(draws, "wide", "n32")[V0]) for draws in range(1, 40))


def test_floats_are_numbers() -> None:
    for draws in range(1, 100):
        assert math.isfinite(struct.unpack(">f", called(draws, "float")[F0].to_bytes(4, "big"))[0])
        paired, flat = called(draws, "double"), called(draws, "double", "n32")
        assert math.isfinite(struct.unpack(">d", (paired[F1] << 32 | paired[F0]).to_bytes(8, "big"))[0])
        assert math.isfinite(struct.unpack(">d", flat[F0].to_bytes(8, "big"))[0])


@pytest.mark.parametrize("name", ABIS)
def test_a_call_leaves_a_value_in_each_register_that_it_need_not_preserve(name: str) -> None:
    abi = ABIS[name]
    changed = {loc for loc, _ in clobbers(abi, abi.fr, 1, 0)}
    kept = {("gpr", n) for n in (*abi.preserved_gprs, 0, 26, 27, 31)} | {("fpr", n) for n in abi.preserved_fprs}
    every = {("gpr", n) for n in range(32)} | {("fpr", n) for n in range(32)} | {("hi", 0), ("lo", 0)}
    assert changed == every - kept
    assert all(sign_extended(value) for loc, value in clobbers(abi, abi.fr, 1, 0) if loc[0] == "gpr")


def event(boundary: Boundary, leg: Leg) -> str:
    one = world(0)
    one.call(boundary, leg)
    return str(one.events[0])


@pytest.mark.parametrize(
    ("span", "registers", "text"),
    [
        ("a0[text]", {"a0": DATA}, "a0[text]=7175617900"),
        ("a0[4]", {"a0": DATA + 1}, "a0[4]=75617900"),
        ("a0[a1*2]", {"a0": DATA, "a1": 2}, "a0[a1*2]=71756179"),
        ("a0[a1]", {"a0": DATA, "a1": 0}, "a0[a1]=no bytes"),
        ("a0[a1]", {"a0": DATA - 1, "a1": 4}, "a0[a1]=not mapped"),
        ("a0[a1]", {"a0": DATA, "a1": (1 << 64) - 1}, "a0[a1]=not mapped"),
        ("a0[4]", {"a0": DATA + 0x2000_0000}, "a0[4]=71756179"),  # the same bytes through kseg1
        ("sp+0[2]", {"sp": DATA + 8}, "sp+0[2]=not mapped"),  # the bytes of the text are no pointer
    ],
)
def test_memory_that_an_external_looks_at(span: str, registers: dict[str, int], text: str) -> None:
    boundary = Boundary("port_send", 0, reads=(Span.of(span),), result="none")
    assert event(boundary, Leg(**registers)) == f"port_send({text})"


def test_much_memory_is_told_by_its_hash() -> None:
    boundary = Boundary("port_send", 0, reads=(Span.of("a0[65]"),), result="none")
    one, other = Leg(a0=DATA), Leg(a0=DATA)
    other.data[64] ^= 1
    assert "65 bytes of hash" in event(boundary, one)
    assert event(boundary, one) != event(boundary, other)


def test_only_memory_that_can_be_written_is_filled() -> None:
    boundary = Boundary("port_take", 0, writes=(Span.of("a0[4]"),))
    leg = Leg(a0=DATA + 2)
    world(3).call(boundary, leg)
    assert leg.data[:2] + leg.data[6:16] == TEXT[:2] + TEXT[6:]
    assert leg.data[2:6] != TEXT[2:6]
    before = bytes(leg.data)
    world(3).call(boundary, Leg(a0=DATA + PAGE))  # would fail if it wrote
    assert bytes(leg.data) == before


def test_what_a_leg_cannot_see_matches_whatever_another_sees() -> None:
    boundary = Boundary("port_lamp", 0, (Slot.of("a0"), Slot.of("f12")))
    one, two, blind = world(1), world(1), world(1)
    seeing, other, leg = Leg(a0=1), Leg(a0=2), Leg(a0=1)
    seeing.registers["fpr", 12] = 0x3F80_0000
    leg.hidden = {"fpr"}
    for place, view in ((one, seeing), (two, other), (blind, leg)):
        place.call(boundary, view)
    assert one.events[0].matches(blind.events[0]) and blind.events[0].matches(one.events[0])
    assert not one.events[0].matches(two.events[0])
    assert str(blind.events[0]).startswith("port_lamp(a0=00000001, f12=not observed)")


def test_a_single_is_the_low_word_and_a_double_all_of_it() -> None:
    boundary = Boundary("port_lamp", 0, (Slot.of("f12"), Slot.of("d12")), result="none")
    leg = Leg()
    leg.registers |= {("fpr", 12): 0x1111_1111, ("fpr", 13): 0x3FF0_0000}
    assert event(boundary, leg) == "port_lamp(f12=11111111, d12=3ff0000011111111)"


def test_a_run_is_full_after_so_many_events() -> None:
    one = world(1)
    for _ in range(MOST_EVENTS):
        assert not one.full
        one.store(CRANE, CRANE.address, 4, 0)
    assert one.full


def test_what_an_external_chooses_it_chooses_again_and_again_in_a_third_of_the_states() -> None:
    """So that a program that polls until it gets another answer is seen to give up."""

    def answers(draws: int) -> set[int]:
        waiting, leg = world(draws), Leg()
        for _ in range(40):
            waiting.call(Boundary("port_poll", 0, result=(-1, 1, 2, 3)), leg)
            waiting.call(Boundary("port_send", 0, result="integer"), leg)
        return {one.answer for one in waiting.events if one.where == "port_poll"}

    alike = [draws for draws in range(1, 601) if len(answers(draws)) == 1]
    assert 150 < len(alike) < 250
    assert len({answers(draws).pop() for draws in alike}) == 4
