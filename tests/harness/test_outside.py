"""Whole checks of functions that do something outside of themselves: what must be found, and what must not."""

from __future__ import annotations

from pathlib import Path

import pytest
from outside_project import RIGHT, make

from harness.check import Options, check
from harness.results import FunctionResult
from harness.verdicts import DifferenceKind, Verdict

ISOLATED = 'calls = "isolated"\n'


def checked(tally: Path, pattern: str = "") -> dict[str, FunctionResult]:
    return {one.name: one for one in check(tally, Options(pattern=pattern, workers=1)).functions}


@pytest.mark.parametrize("calls", ["deep", "isolated"])
def test_a_right_translation_agrees(tmp_path: Path, calls: str) -> None:
    rows = checked(make(tmp_path, check=f'calls = "{calls}"\n'))
    assert {name: (str(row.verdict), row.finding) for name, row in rows.items()} == dict.fromkeys(
        RIGHT, ("agree", None)
    )


def changed(name: str, old: str, new: str) -> dict[str, str]:
    assert old in RIGHT[name]
    return {name: RIGHT[name].replace(old, new, 1)}


#: What is wrong -> the C, and where the event differs.
WRONG = {
    "a call is left out": (changed("announce", "f_port_send(m);", ""), "port_send"),
    "the last call is left out": (changed("announce", "f_port_close(m);", ""), "port_close"),
    "a call is made twice": (
        changed("announce", "f_port_close(m);", "f_port_close(m); f_port_close(m);"),
        "port_close",
    ),
    "an argument is wrong": (changed("announce", "R[4] = R[16]; R[5]", "R[4] = R[16] ^ 1; R[5]"), "port_send"),
    "calls are in the wrong order": (
        changed("announce", "f_port_open(m);", "f_port_close(m);")
        | {
            "announce": RIGHT["announce"]
            .replace("f_port_close", "f_x")
            .replace("f_port_open", "f_port_close")
            .replace("f_x", "f_port_open")
        },
        "port_open",
    ),
    "the wrong function is called": (changed("announce", "f_port_close(m);", "f_port_open(m);"), "port_close"),
    "memory that the callee sees is wrong": (
        changed("announce", "f_port_send(m);", "at(m, R[5])[7] ^= 1; f_port_send(m); at(m, R[17])[7] ^= 1;"),
        "port_send",
    ),
    "device writes are swapped": (
        changed(
            "signal",
            "dev_write16(0xa4f00008u, R[4]); dev_write32(0xa4f0000cu, R[5]);",
            "dev_write32(0xa4f0000cu, R[5]); dev_write16(0xa4f00008u, R[4]);",
        ),
        "ffffffffa4f00008",
    ),
    "a device write has the wrong width": (
        changed("signal", "dev_write16(0xa4f00008u", "dev_write32(0xa4f00008u"),
        "ffffffffa4f00008",
    ),
    "a device write is dropped": (changed("signal", "dev_write16(0xa4f00008u, R[4]);", ""), "ffffffffa4f00008"),
    "a device is read once more": (
        changed("signal", "R[8] =", "(void)dev_read32(0xa4f00004u); R[8] ="),
        "ffffffffa4f00008",
    ),
}


@pytest.mark.parametrize(("c", "where"), WRONG.values(), ids=[name.replace(" ", "-") for name in WRONG])
def test_what_is_wrong_outside_is_an_event(tmp_path: Path, c: dict[str, str], where: str) -> None:
    (name,) = c
    row = checked(make(tmp_path, c), name)[name]
    assert row.verdict is Verdict.DIFFER
    assert row.finding is not None
    assert (row.finding.difference.kind, row.finding.difference.where) == (DifferenceKind.EVENT, where)
    legs = dict(row.finding.difference.events)
    assert legs["reference"] == legs["unicorn"] != legs["cc -O1"]
