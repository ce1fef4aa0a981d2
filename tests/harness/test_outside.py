"""Whole checks of functions that do something outside of themselves: what must be found, and what must not."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from outside_project import EXTERNALS, RIGHT, make

from harness.check import Options, check
from harness.errors import UsageError
from harness.replaying import replay
from harness.results import FunctionResult
from harness.verdicts import DifferenceKind, Verdict

ISOLATED = 'calls = "isolated"\n'
#: A callee that goes wrong for some of its arguments.
BAD_HALVE = {"halve": "R[2] = (int32_t)R[4] >> 1; if (R[4] & 1) R[2] = (int32_t)(R[2] + 1); put(m, R[5], R[2]);"}


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


# --- callees ----------------------------------------------------------------------------------------------------------


def verdicts(rows: dict[str, FunctionResult]) -> set[str]:
    """The functions that differ; all others agree."""
    assert {row.verdict for row in rows.values()} <= {Verdict.AGREE, Verdict.DIFFER}
    return {name for name, row in rows.items() if row.verdict is Verdict.DIFFER}


def test_deep_calls_blame_callers_and_isolated_ones_do_not(tmp_path: Path) -> None:
    (tmp_path / "deep").mkdir()
    (tmp_path / "isolated").mkdir()
    assert verdicts(checked(make(tmp_path / "deep", BAD_HALVE))) == {"halve", "quarter", "last"}
    assert verdicts(checked(make(tmp_path / "isolated", BAD_HALVE, check=ISOLATED))) == {"halve"}


@pytest.mark.parametrize("apart", [False, True], ids=["one-file", "a-file-for-each-function"])
@pytest.mark.parametrize("level", ["-O0", "-O2", "-O3"])
def test_isolated_calls_are_seen_at_every_level(tmp_path: Path, level: str, apart: bool) -> None:
    tally = make(tmp_path, BAD_HALVE, check=ISOLATED, compilers=f'["cc {level}"]', apart=apart)
    assert verdicts(checked(tally)) == {"halve"}


@pytest.mark.cross("clang")
@pytest.mark.parametrize("level", ["-O0", "-O2"])
def test_isolated_calls_are_seen_under_clang(tmp_path: Path, level: str) -> None:
    tally = make(tmp_path, BAD_HALVE, check=ISOLATED, compilers=f'["clang {level}"]')
    assert verdicts(checked(tally)) == {"halve"}


#: What is wrong with the calls of ``quarter``.
WRONG_CALLS = {
    "left out": ("R[5] = (int32_t)(R[17] + 4); f_halve(m);", "R[5] = (int32_t)(R[17] + 4);"),
    "doubled": ("R[4] = R[2];", "f_halve(m); R[4] = R[2];"),
    "wrong argument": ("R[4] = R[2];", "R[4] = R[2] ^ 4;"),
    "wrong pointer": ("R[17] + 4", "R[17] + 8"),
    "wrong callee": ("f_halve(m);", "f_last(m);"),
}


@pytest.mark.parametrize("fault", WRONG_CALLS)
def test_a_wrong_call_of_an_isolated_callee_is_an_event(tmp_path: Path, fault: str) -> None:
    row = checked(make(tmp_path, changed("quarter", *WRONG_CALLS[fault]), check=ISOLATED), "quarter")["quarter"]
    assert row.finding is not None
    difference = row.finding.difference
    assert (difference.kind, difference.where) == (DifferenceKind.EVENT, "halve")


def test_a_callee_reached_through_a_pointer_is_seen(tmp_path: Path) -> None:
    table = {
        "last": "static void (*const known[])(uint8_t *) = {f_quarter, f_halve}; R[4] = (int32_t)(R[4] + 1); "
        "known[1](m);"
    }
    rows = checked(make(tmp_path, BAD_HALVE | table, check=ISOLATED))
    assert verdicts(rows) == {"halve"}


def test_a_static_callee_runs_for_real_on_every_leg(tmp_path: Path) -> None:
    rows = checked(make(tmp_path, BAD_HALVE, check=ISOLATED, static="halve"))
    assert rows["halve"].reason == "translated function is static in the C"
    assert {name for name, row in rows.items() if row.verdict is Verdict.DIFFER} == {"quarter", "last"}


def test_a_device_that_the_c_reaches_as_memory_is_no_finding(tmp_path: Path) -> None:
    plain = {"signal": RIGHT["signal"].replace("dev_read32(0xa4f00004u)", "get(m, (int32_t)0xa4f00004)")}
    row = checked(make(tmp_path, plain), "signal")["signal"]
    assert row.verdict is Verdict.NOT_RUN
    assert row.discarded == (
        (
            "unsupported by a leg: cc -O1: crane is in {memory}; [translated.binding] device_read and "
            "device_write say how the C can reach devices",
            24,
        ),
    )


def test_a_function_that_calls_itself_does_so_for_real(tmp_path: Path) -> None:
    wrong = changed("factorial", "R[2] * R[16]", "R[2] * R[16] + (R[16] == 3)")
    row = checked(make(tmp_path, wrong, check=ISOLATED), "factorial")["factorial"]
    assert row.finding is not None
    assert row.finding.difference.where == "v0"


# --- what the file says, what is kept, what is refused ----------------------------------------------------------------


def test_a_case_keeps_what_is_outside(tmp_path: Path) -> None:
    tally = make(tmp_path, WRONG["an argument is wrong"][0])
    finding = checked(tally, "announce")["announce"].finding
    assert finding is not None
    tally.write_text(tally.read_text().replace('arguments = ["a0", "a1"]', "arguments = []"))
    again = replay(Path(finding.case))
    assert again.now == again.saved == finding.difference


def test_a_case_of_isolated_calls_is_replayed_with_isolated_calls(tmp_path: Path) -> None:
    tally = make(tmp_path, changed("quarter", *WRONG_CALLS["doubled"]), check=ISOLATED)
    finding = checked(tally, "quarter")["quarter"].finding
    assert finding is not None
    tally.write_text(tally.read_text().replace(ISOLATED, ""))
    again = replay(Path(finding.case))
    assert again.now == again.saved == finding.difference


def test_the_smallest_answers_are_kept_where_they_show_the_fault(tmp_path: Path) -> None:
    row = checked(make(tmp_path, WRONG["a call is made twice"][0]), "announce")["announce"]
    assert row.finding is not None
    assert dict(row.finding.difference.events)["reference"] == (
        "port_open(a0=00000000) gives v0=00000000",
        "port_send(a0=00000000, a1=80400000, a1[8]=0000000000000000) gives v0=00000000",
        "port_close(a0=00000000)",
    )
    saved = json.loads(Path(row.finding.case).read_text())
    assert (saved["before"]["draws"], saved["first_difference"]["where"]) == ("0", "port_close")


def test_an_external_is_not_checked_itself(tmp_path: Path) -> None:
    rows = checked(make(tmp_path, more=EXTERNALS + '[[external]]\nname = "hal*"\narguments = ["a0"]\n'))
    assert (rows["halve"].verdict, rows["halve"].reason) == (
        Verdict.NOT_RUN,
        "outside: the file names it as external",
    )
    assert rows["quarter"].verdict is Verdict.AGREE


def test_a_function_that_the_c_lacks_is_outside_and_said_so(tmp_path: Path) -> None:
    rows = checked(make(tmp_path, {"halve": ""}))
    assert rows["halve"].verdict is Verdict.NOT_RUN
    assert rows["quarter"].verdict is Verdict.AGREE
    assert rows["quarter"].notes == (
        "calls halve, which no source of the C defines: only that it is called is compared; [[external]] can say more",
    )


REFUSALS = {
    "no function of this name": (
        {"more": '[[external]]\nname = "port_*"\n'},
        "[external] item 1 name: matches no function and no absolute symbol of the image: got 'port_*'\n"
        "help: correct it, or give its guest address as address",
    ),
    "a window over the image": (
        {"more": '[[window]]\nname = "crane"\naddress = "0xa0001000"\nsize = 16\n'},
        "[window] item 1: shares pages with the image's code: got ffffffffa0001000-ffffffffa000100f, "
        "expected addresses that nothing else has",
    ),
    "two windows in one place": (
        {"more": EXTERNALS + '[[window]]\nname = "winch"\naddress = "0x84f00008"\nsize = 16\n'},
        "[window] item 2: overlaps window crane: got ffffffff84f00008-ffffffff84f00017, "
        "expected addresses that nothing else has",
    ),
    "a static external": (
        {"static": "halve", "more": '[[external]]\nname = "halve"\n'},
        "[external]: calls of a function that is static or hidden in the C cannot be told: got halve\n"
        "help: make the function visible in the C, or leave its body out",
    ),
}


@pytest.mark.parametrize("what", REFUSALS)
def test_what_cannot_be_is_refused(tmp_path: Path, what: str) -> None:
    keys, message = REFUSALS[what]
    tally = make(tmp_path, **keys)  # type: ignore[arg-type] # each key has the type of its parameter
    with pytest.raises(UsageError) as caught:
        checked(tally)
    assert str(caught.value) == f"{tally} {message}"
