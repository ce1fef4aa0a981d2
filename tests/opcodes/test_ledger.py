"""The ledger: what is said of an opcode by the results of its probes, and how it is shown."""

from __future__ import annotations

import json
from dataclasses import replace
from io import StringIO
from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.evidence import OpcodeVerdict, PlantedFaults
from harness.opcodes.ledger import ledger, read_faults
from harness.report.evidence import (
    closing_lines,
    ledger_document,
    ledger_markdown,
    ledger_page,
    print_ledger,
    write_page,
)
from harness.report.terminal import make_console
from harness.results import Bin, CheckResult, Difference, Finding, FunctionResult, LegInfo
from harness.verdicts import DifferenceKind, Verdict

HIT = (Bin("s: zero", 3, ""), Bin("s: one", 1, ""))


def row(name: str, verdict: Verdict = Verdict.AGREE, reason: str = "", bins: tuple[Bin, ...] = HIT) -> FunctionResult:
    compared = 4 if verdict in (Verdict.AGREE, Verdict.DIFFER) else 0
    return FunctionResult(name, 0x8000_1000, 12, verdict, reason, "b", "cc", states=4, compared=compared, bins=bins)


def differing(name: str) -> FunctionResult:
    place = Difference(DifferenceKind.REGISTER, "v0", (("reference", "01"), ("cc", "00")))
    found = Finding(place, None, (), 1, "cases/one.json")
    return FunctionResult(name, 0x8000_1000, 12, Verdict.DIFFER, "", "b", "cc", states=1, compared=1, finding=found)


def result(*rows: FunctionResult) -> CheckResult:
    return CheckResult(0, "abi", (LegInfo("reference", "1"), LegInfo("cc", "")), rows, 1.0)


def test_an_opcode_has_the_worst_verdict_of_its_probes() -> None:
    made = ledger(
        result(
            *(row("addu__distinct"), differing("addu__d_is_s"), row("subu__distinct"), row("subu__d_is_s")),
            *(row("sltu__distinct", Verdict.NOT_RUN, "the C has no function"), row("sltu__d_is_s")),
            row("teq__s_is_t", Verdict.INCONCLUSIVE, "nothing compared: guest trap:trap"),
            row("idiom__equal"),
        )
    )
    assert [(line.name, line.verdict) for line in made.sections[0].lines] == [
        ("addu", OpcodeVerdict.DIFFERS),
        ("subu", OpcodeVerdict.NO_DIFFERENCE),
        ("sltu", OpcodeVerdict.REFUSED),
        ("teq", OpcodeVerdict.UNTESTED),
        ("idiom equal", OpcodeVerdict.NO_DIFFERENCE),
    ]
    assert made.sections[0].lines[4].opcodes == ("xor", "sltiu")


def test_bins_are_hit_excused_or_missed() -> None:
    bins = (Bin("t: zero", 0, "open:division-by-zero"), Bin("t: one", 2, ""), Bin("t: largest", 0, ""))
    (line,) = ledger(result(row("div__distinct", bins=bins))).sections[0].lines
    assert (line.bins, line.hit, line.excused) == (3, 1, (("open:division-by-zero", 1),))
    assert line.missed == ("div__distinct: t: largest",)


def test_opcodes_without_a_probe_are_named_with_the_reason() -> None:
    assert {"syscall", "break", "eret", "mtc0"} <= {name for name, _ in ledger(result(row("addu__distinct"))).unprobed}


def test_each_opcode_names_its_source_and_the_faults_that_were_planted_in_it() -> None:
    (line,) = ledger(result(row("addu__distinct")), {"addu": PlantedFaults(3, 2)}).sections[0].lines
    assert line.source.startswith("R4K App. A")
    assert line.faults == PlantedFaults(3, 2)
    (line,) = ledger(result(row("add_s__distinct"))).sections[0].lines
    assert line.source.startswith("R4K App. B")


def test_planted_faults_are_summed_over_opcodes_once_for_all_builds() -> None:
    rows = row("addu__distinct"), row("subu__distinct"), replace(row("addu__distinct"), build="c")
    made = ledger(result(*rows), {"addu": PlantedFaults(3, 2), "subu": PlantedFaults(1, 1)})
    assert "planted faults: 3 of 4 found in probes of 2 opcodes" in closing_lines(made)
    assert not any("planted" in line for line in closing_lines(ledger(result(*rows))))


def test_the_screen_says_what_differs_where_and_never_correct() -> None:
    text = StringIO()
    print_ledger(make_console(text), ledger(result(row("subu__distinct"), differing("addu__d_is_s"))))
    shown = text.getvalue()
    assert "addu    differs" in shown
    assert "in 1 of 1 probes, first addu__d_is_s" in shown
    assert "tallystick replay cases/one.json" in shown
    assert "b, cc: 2 opcodes and idioms: 1 no difference, 1 differs" in shown
    assert "correct" not in shown


def test_json_markdown_and_page_hold_the_same_lines(tmp_path: Path) -> None:
    made = ledger(result(row("subu__distinct"), differing("addu__d_is_s")))
    document = json.loads(json.dumps(ledger_document(made)))
    assert document["schema"] == "tallystick.opcodes/1"
    assert [line["name"] for line in document["sections"][0]["opcodes"]] == ["subu", "addu"]
    for text in (ledger_markdown(made), ledger_page(made)):
        assert "subu" in text
        assert "first addu__d_is_s" in text
        assert "R4000 Microprocessor" in text
    write_page(made, tmp_path / "ledger.html")
    assert (tmp_path / "ledger.html").read_text().startswith("<!doctype html>")


def test_a_page_of_another_form_or_in_a_missing_folder_is_refused(tmp_path: Path) -> None:
    made = ledger(result(row("subu__distinct")))
    with pytest.raises(UsageError, match=r"is no page: got '.pdf', expected .md or .html"):
        write_page(made, tmp_path / "ledger.pdf")
    with pytest.raises(UsageError, match="cannot be written: got no such file"):
        write_page(made, tmp_path / "missing/ledger.md")


@pytest.mark.parametrize("text", ["[]", "{", '{"addu": 3}', '{"addu": {"planted": 1}}'])
def test_a_file_that_holds_no_planted_faults_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "faults.json").write_text(text)
    with pytest.raises(UsageError, match="holds no planted faults"):
        read_faults(tmp_path / "faults.json")


def test_planted_faults_are_read_by_opcode(tmp_path: Path) -> None:
    (tmp_path / "faults.json").write_text('{"addu": {"planted": 3, "found": 3}}')
    assert read_faults(tmp_path / "faults.json") == {"addu": PlantedFaults(3, 3)}
    with pytest.raises(UsageError, match="cannot be read"):
        read_faults(tmp_path / "missing.json")
