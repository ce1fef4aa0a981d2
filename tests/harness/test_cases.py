"""Saved cases: what goes in comes out, byte for byte, and a damaged file is refused in words."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from made_states import DATA, STACK, poke, state

from harness.engines.base import PAGE, MachineState, Region
from harness.errors import UsageError
from harness.results import Difference
from harness.store.cases import (
    Case,
    image_hash,
    load_case,
    record_difference,
    record_state,
    recorded_difference,
    recorded_state,
    save_case,
)
from harness.verdicts import DifferenceKind

IMAGE = (Region(DATA, b"\x11" * PAGE, True, "data"),)
FOUND = Difference(
    DifferenceKind.MEMORY, f"{DATA:016x}", (("reference", "00"), ("gcc -O2", "01")), 2, loc=("mem", DATA)
)


def case_of(before: MachineState) -> Case:
    return Case(
        config="../../tally.toml",
        build="o32-O1",
        compiler="gcc -O2",
        function="tide_height",
        address="ffffffff80001000",
        image_hash=image_hash(IMAGE),
        scope="abi",
        fuel=1000,
        seed=7,
        legs={"reference": "1", "gcc -O2": "12.2"},
        first_difference=record_difference(FOUND),
        written_by=None,
        input={"a0": "8000000000000000"},
        before=record_state(before, IMAGE),
    )


def over_image(fr: bool = False) -> MachineState:
    """A state whose data page is the image's page with two words changed."""
    registers = state(fr=fr, r4=1 << 63, f20=0x3F80_0000, hi=3, fcsr=0x0100_0000)
    before = replace(registers, memory=(IMAGE[0], registers.memory[1]))
    return poke(poke(poke(before, DATA + 8, bytes(4)), DATA + 0xFFE, b"\xff\xee"), STACK + 4, b"\x01")


def test_a_state_survives_the_file(tmp_path: Path) -> None:
    for fr in (False, True):
        path = save_case(case_of(over_image(fr)), tmp_path)
        assert recorded_state(load_case(path).before, IMAGE) == over_image(fr)


def test_only_what_differs_from_the_image_is_written() -> None:
    data, stack = record_state(over_image(), IMAGE).memory
    assert (data.over, data.runs) == ("image", ((8, "00000000"), (0xFFE, "ffee")))
    assert (stack.over, stack.runs) == ("zero", ((4, "01"),))


def test_an_unchanged_region_comes_back_as_the_images_own_object() -> None:
    before = replace(state(), memory=IMAGE)
    assert recorded_state(record_state(before, IMAGE), IMAGE).memory[0] is IMAGE[0]


def test_the_difference_survives_the_file(tmp_path: Path) -> None:
    path = save_case(case_of(state()), tmp_path)
    assert recorded_difference(load_case(path).first_difference) == FOUND


def test_the_same_case_has_the_same_name_and_another_one_another(tmp_path: Path) -> None:
    first = save_case(case_of(state()), tmp_path)
    assert save_case(case_of(state()), tmp_path) == first
    assert save_case(case_of(state(r4=1)), tmp_path) != first
    assert len(list(tmp_path.iterdir())) == 2  # and no partial file is left


def test_the_hash_of_an_image_depends_on_addresses_and_bytes() -> None:
    moved = (Region(DATA + PAGE, IMAGE[0].data, True),)
    changed = (Region(DATA, b"\x12" + IMAGE[0].data[1:], True),)
    assert len({image_hash(IMAGE), image_hash(moved), image_hash(changed)}) == 3


@pytest.mark.parametrize(
    ("path_to_key", "value", "text"),
    [
        (("schema",), "tallystick.case/9", "schema: not a case of this version"),
        (("before", "pc"), "zz", "before.pc: not a case of this version"),
        (("before", "memory", 0, "size"), 4, "reaches outside its 4 bytes"),
        (("before", "memory", 1, "size"), PAGE + 4, "is not whole pages"),
        (("before", "memory", 1, "address"), "3", "is not whole pages"),
        (("before", "memory", 1, "address"), f"{DATA:x}", "does not lie after the one before it"),
        (("before", "gpr"), {"32": "1"}, "before.gpr.32"),
        (("surplus",), 1, "surplus: not a case of this version"),
    ],
)
def test_a_damaged_case_is_refused(
    tmp_path: Path, path_to_key: tuple[str | int, ...], value: object, text: str
) -> None:
    path = save_case(case_of(over_image()), tmp_path)
    document = json.loads(path.read_text())
    part = document
    for key in path_to_key[:-1]:
        part = part[key]
    part[path_to_key[-1]] = value
    path.write_text(json.dumps(document))
    with pytest.raises(UsageError, match=text):
        load_case(path)


def test_a_missing_case_and_a_text_that_is_no_json_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such file"):
        load_case(tmp_path / "none.json")
    (tmp_path / "text.json").write_text("not json")
    with pytest.raises(UsageError, match="not a case of this version"):
        load_case(tmp_path / "text.json")
