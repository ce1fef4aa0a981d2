"""Findings become few causes: by opcode, or by the mistake where it is one about delay slots."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
import tied_project as project

from harness import cli
from harness.explain.classify import DECIDED_LATE
from harness.explain.clusters import Told, gather
from harness.explain.model import Culprit, Explanation, Method, Surety
from harness.results import Difference, Finding, FunctionResult
from harness.verdicts import DifferenceKind, Verdict

DIFFERENCE = Difference(DifferenceKind.REGISTER, "v0", (("reference", "00"), ("cc", "01")), loc=("gpr", 2))


def culprit(opcode: str, kind: str = "wrong value", of: int = 6) -> Culprit:
    return Culprit(
        address=0xFFFF_FFFF_8000_1000,
        text=opcode,
        opcode=opcode,
        form="d,s,t",
        function="f",
        manual="",
        operands=(),
        results=(),
        kind=kind,
        like="",
        source=None,
        states=of,
        of=of,
        surety=Surety.CERTAIN if of else Surety.GUESS,
    )


def told(number: int, words: int, *culprits: Culprit) -> tuple[FunctionResult, Told]:
    finding = Finding(DIFFERENCE, None, (), words, f"cases/f{number}.json")
    row = FunctionResult(f"f{number}", 0x1000 + number, 8, Verdict.DIFFER, compiler="cc", finding=finding)
    made = Explanation("", row.name, 0, "", "cc", "differ", DIFFERENCE, Method.LOCKSTEP, "", culprits, (), (), (), ())
    return row, Told(made)


def test_forty_functions_with_one_wrong_opcode_have_one_cause_and_its_simplest_case() -> None:
    found = gather([told(n, 2 if n == 17 else 5, culprit("lh", "bytes mirrored")) for n in range(40)], 0)
    (cause,) = found.causes
    assert (cause.what, len(cause.functions), cause.simplest) == ("lh", 40, "cases/f17.json")
    assert cause.kinds == (("bytes mirrored", 40),)
    assert cause.sureties == (("certain", 40),)


def test_two_opcodes_are_two_causes_the_more_frequent_first_and_a_function_may_have_both() -> None:
    rows = [told(n, 1, culprit("sra")) for n in range(3)]
    rows += [told(n, 1, culprit("lh"), culprit("sra")) for n in range(3, 5)]
    found = gather(rows, 0)
    assert [(cause.what, len(cause.functions)) for cause in found.causes] == [("sra", 5), ("lh", 2)]


def test_a_mistake_about_delay_slots_is_one_cause_whatever_the_branch() -> None:
    rows = [told(n, 1, culprit(name, DECIDED_LATE)) for n, name in enumerate(("bne", "blez", "beq"))]
    (cause,) = gather(rows, 0).causes
    assert (cause.what, len(cause.functions)) == (DECIDED_LATE, 3)


def test_of_a_guess_only_the_first_counts() -> None:
    (cause,) = gather([told(0, 1, culprit("addu", of=0), culprit("or", of=0))], 0).causes
    assert cause.what == "addu"
    assert cause.sureties == (("guess", 1),)


def test_a_check_with_many_findings_ends_with_their_causes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(cli, "MANY", 1)
    tally = project.make(tmp_path, {0x04: "{2} = (int64_t)((uint32_t){4} >> 2);"})
    assert cli.run(["check", str(tally), "--json", str(tmp_path / "check.json")]) == 1
    assert "causes: 1 finding comes of 1 cause\n       1  sra d,t,a: " in capsys.readouterr().out
    (cause,) = json.loads((tmp_path / "check.json").read_text())["causes"]
    assert (cause["what"], cause["functions"]) == ("sra", ["mix"])


@pytest.mark.parametrize("why", ["the worker process died", "no such file"])
def test_what_could_not_be_explained_is_told_with_its_reason(why: str) -> None:
    row, _ = told(0, 1)
    found = gather([(row, Told(None, why))], 2)
    assert found.causes == ()
    assert found.unexplained == (("f0", why),)
    assert (found.looked, found.left) == (1, 2)


def test_builds_are_told_apart_in_the_names() -> None:
    row, one = told(0, 1, culprit("lh"))
    found = gather([(replace(row, build="o32"), one), (replace(row, build="n32"), one)], 0)
    assert found.causes[0].functions == ("f0 in o32", "f0 in n32")
