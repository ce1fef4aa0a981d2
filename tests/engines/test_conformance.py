"""The conformance suite itself: its listings say what their words are, and its names tell cases apart."""

from __future__ import annotations

import pytest
from conformance import CASES, Case
from conformance_model import CODE

from harness.program.disassembly import disassemble


@pytest.mark.parametrize("case", CASES, ids=str)
def test_the_text_of_a_listing_is_what_its_words_are(case: Case) -> None:
    for call in case.calls:
        for number, (word, text) in enumerate(call.words):
            assert disassemble(word, CODE + 4 * number) == text


def test_every_case_has_a_name_of_its_own() -> None:
    assert len({case.name for case in CASES}) == len(CASES)
