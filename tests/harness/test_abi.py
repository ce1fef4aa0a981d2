"""The calling conventions, against the tables of the published documents (named in ``harness.abi``)."""

from __future__ import annotations

import pytest

from harness.abi import ABIS, GP, RA, SP


def test_the_four_conventions_are_known_by_name() -> None:
    assert sorted(ABIS) == ["eabi", "n32", "o32", "o64"]


@pytest.mark.parametrize(
    ("name", "int_args", "home", "slot", "alignment", "fr"),
    [
        ("o32", "4 5 6 7", 16, 4, 8, False),
        ("n32", "4 5 6 7 8 9 10 11", 0, 8, 16, True),
        ("o64", "4 5 6 7", 32, 8, 16, True),
        ("eabi", "4 5 6 7 8 9 10 11", 0, 8, 8, True),
    ],
)
def test_arguments_lie_where_the_documents_put_them(
    name: str, int_args: str, home: int, slot: int, alignment: int, fr: bool
) -> None:
    abi = ABIS[name]
    assert abi.int_args == tuple(map(int, int_args.split()))
    assert (abi.home_bytes, abi.slot_bytes, abi.stack_alignment, abi.fr) == (home, slot, alignment, fr)


def test_n32_preserves_only_even_fprs_from_f20() -> None:
    assert ABIS["n32"].preserved_fprs == (20, 22, 24, 26, 28, 30)


@pytest.mark.parametrize("name", sorted(ABIS))
def test_saved_registers_are_s0_to_s8_gp_and_sp_and_never_ra(name: str) -> None:
    assert set(ABIS[name].preserved_gprs) == {16, 17, 18, 19, 20, 21, 22, 23, GP, SP, 30}
    assert RA not in ABIS[name].preserved_gprs


@pytest.mark.parametrize("name", sorted(ABIS))
def test_no_register_is_both_a_result_and_preserved(name: str) -> None:
    abi = ABIS[name]
    assert not set(abi.result_gprs) & set(abi.preserved_gprs)
    assert not set(abi.result_fprs) & set(abi.preserved_fprs)
