"""FCR31 as every operation leaves it (V5K p. 188-192), for all rows of floating-point arithmetic."""

from __future__ import annotations

import pytest
from float_runs import operate

from interp.optable import ROWS, Row

ALL_CAUSES = 0x0003_F000  # E V Z O U I
ALL_FLAGS, FS_AND_RM = 0x0000_007C, 0x0100_0003
ONE = {"s": 0x3F80_0000, "d": 0x3FF0_0000_0000_0000, "w": 1, "l": 1}  # by the last letter of a name
REWRITING = [row for row in ROWS if "fcsr" in row.results and row.fp_in]


@pytest.mark.parametrize("row", REWRITING, ids=lambda row: row.name)
def test_an_exact_operation_clears_all_causes_and_keeps_the_rest(row: Row) -> None:
    """E too, which has no enable: a handler that finishes the operation in software may leave it set."""
    one = ONE[row.name[-1]]
    before = FS_AND_RM | ALL_FLAGS | ALL_CAUSES
    after = operate(row.name, one, one, before)
    condition = after.fcsr & 0x0080_0000 if row.name.startswith("c.") else 0
    assert (after.trap, after.fcsr) == ("", FS_AND_RM | ALL_FLAGS | condition)


def test_all_arithmetic_conversions_and_compares_are_meant() -> None:
    assert len(REWRITING) == 72


# R4K p. 196: a denormal operand is left to software. The smallest normal number is none, and neither is zero.
@pytest.mark.parametrize("name", ["add.s", "sub.d", "mul.s", "div.d", "sqrt.s", "abs.d", "cvt.d.s", "ceil.w.d"])
def test_denormals_lie_between_zero_and_the_smallest_normal_number(name: str) -> None:
    one, smallest_normal = ONE[name[-1]], 0x0080_0000 if name.endswith("s") else 0x0010_0000_0000_0000
    for fs, left in ((0, False), (1, True), (smallest_normal - 1, True), (smallest_normal, False)):
        assert operate(name, fs, one).trap == ("unimplemented-operation" if left else ""), f"{fs:x}"
