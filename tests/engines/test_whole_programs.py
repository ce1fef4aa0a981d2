"""Whole programs on both references: each finds itself right, and nothing differs at any return of a function."""

from __future__ import annotations

from functools import cache

import pytest
from whole_programs import BUILDS, NAMES, Legs, load_build


@cache
def legs_of(build: str) -> Legs:
    """The legs of one build, kept: what they compiled serves all its programs."""
    return Legs.of(load_build(build))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("build", BUILDS)
def test_a_program_finds_itself_right_and_the_references_agree_at_every_return(build: str, name: str) -> None:
    comparison = legs_of(build).compare(name)
    assert comparison.findings == ()
