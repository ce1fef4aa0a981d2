"""Alignment is asked of every access, on a page that was read and written before too (R4K A-126; ch. 5, AdEL, AdES)."""

from __future__ import annotations

import pytest
from guest_runs import CODE, DATA, run

WIDTHS = {2: ("lh", "lhu", "sh"), 4: ("lw", "lwu", "ll", "sw", "lwc1", "swc1"), 8: ("ld", "lld", "sd", "ldc1", "sdc1")}
BYTES = "000102030405060708090a0b0c0d0e0f"


@pytest.mark.parametrize(("width", "name"), [(width, name) for width, names in WIDTHS.items() for name in names])
def test_a_misaligned_access_to_a_page_in_use_traps(width: int, name: str) -> None:
    field = "ft" if name.endswith("c1") else "t"
    for offset in range(1, width):
        touched = ["lb t=3 s=4", "sb t=3 s=4", f"{name} {field}=2 s=4"]
        after = run([*touched, f"{name} {field}=2 s=4 i={offset}"], {4: DATA + 8}, data=BYTES, fr=True)
        kind = "address-error-store" if name.startswith("s") else "address-error-load"
        assert (after.stop.trap, after.stop.at, after.stop.fault_address) == (kind, CODE + 12, DATA + 8 + offset)
