"""The printed self-test, pinned, and its JSON form."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest

from harness.errors import UsageError
from harness.report.selftest import difference_named, print_difference, print_selftest, selftest_document
from harness.report.terminal import make_console
from harness.results import KnownDifference, Selftest, SelftestLine


def difference(name: str, group: str, state: str, seen: str) -> KnownDifference:
    return KnownDifference(
        id=name,
        group=group,
        rows="sc",
        when="a misaligned address, without LL",
        does="fails quietly",
        manual="address error",
        source="R4K A-126",
        remedy="the leg checks the address first",
        measured="2.1.4",
        known="v0=0",
        right="trap address-error-store",
        seen=seen,
        state=state,
    )


RESULT = Selftest(
    lines=(
        SelftestLine("unicorn", "2.2.0", True),
        SelftestLine("leg unicorn", "refused: the probe scd-misaligned shows unknown behaviour", False),
    ),
    differences=(
        difference("sc-misaligned", "integer and memory", "there", "v0=0"),
        difference("scd-misaligned", "integer and memory", "unknown", "v0=7"),
        difference("long-run", "runs of the engine", "gone", "trap address-error-store"),
    ),
    sources=(("R4K", "MIPS R4000 Microprocessor User's Manual"), ("V5K", "NEC VR5000 User's Manual")),
)


def test_a_selftest(pinned: Callable[[str, str], None]) -> None:
    file = io.StringIO()
    print_selftest(make_console(file), RESULT)
    pinned("selftest.txt", file.getvalue())


def test_one_difference(pinned: Callable[[str, str], None]) -> None:
    file = io.StringIO()
    print_difference(make_console(file), difference_named(RESULT, "scd-misaligned"))
    pinned("selftest-one.txt", file.getvalue())


def test_a_wrong_id_names_the_nearest() -> None:
    with pytest.raises(UsageError, match=r"got 'sc-misalined'\nhelp: did you mean sc-misaligned"):
        difference_named(RESULT, "sc-misalined")


def test_the_json_form_has_lines_differences_and_sources() -> None:
    document = selftest_document(RESULT)
    assert document["schema"] == "tallystick.selftest/1"
    assert [line["good"] for line in document["lines"]] == [True, False]
    assert [(d["id"], d["state"], d["seen"]) for d in document["differences"]] == [
        ("sc-misaligned", "there", "v0=0"),
        ("scd-misaligned", "unknown", "v0=7"),
        ("long-run", "gone", "trap address-error-store"),
    ]
    assert list(document["sources"]) == ["R4K", "V5K"]
