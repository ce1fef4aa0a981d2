"""The conformance suite: what every engine must do, with expectations derived by hand.

An engine's test file is a few lines::

    @pytest.mark.parametrize("case", CASES, ids=str)
    def test_the_engine_conforms(case: Case) -> None:
        check(Unicorn(), case)

An engine that cannot see some registers names their kinds in ``unseen``; one that runs something else than guest code
(translated C) takes the cases that it has a twin for, by name: ``twins`` gives them and fails where a name is unknown.
Unless a comment says otherwise, expectations follow from the descriptions of the instructions in the MIPS R4000 User's
Manual, 2nd ed., appendices A and B.
"""

from __future__ import annotations

from collections.abc import Collection

from conformance_float import FLOAT
from conformance_integer import INTEGER
from conformance_memory import MEMORY
from conformance_model import DATA, RETURN, Call, Case, case, check
from conformance_outside import DEVICE, OUTSIDE
from conformance_runs import FUEL, REUSE
from conformance_traps import TRAPS

__all__ = ["CASES", "Call", "Case", "check", "twins"]

LONG = (
    case(
        "a straight run of 3000 instructions returns",
        Call("; ".join(["24420001 addiu v0,v0,1"] * 3000) + RETURN, {"v0": 0}, {"v0": 3000}),
    ),
    case(
        "a straight run of 1000 stores and loads returns",
        Call(
            "; ".join(["ac820008 sw v0,8(a0); 8c830008 lw v1,8(a0); 24620001 addiu v0,v1,1"] * 1000) + RETURN,
            {"a0": DATA, "v0": 0},
            {"v0": 1000, "v1": 999},
            stores={8: "000003e7"},
        ),
    ),
    case(
        "code on a second page is reached",
        Call(
            "08000801 j 0xffffffff80002004"
            + "; 00000000 sll zero,zero,0x0" * 1024
            + "; 24020005 addiu v0,zero,5"
            + RETURN,
            {},
            {"v0": 5},
        ),
    ),
    case(
        "a return to where the call came from needs no ra",
        Call("03e04025 or t0,ra,zero; 0000f825 or ra,zero,zero; 01000008 jr t0; 00000000 sll zero,zero,0x0", {}, None),
    ),
)

CASES: tuple[Case, ...] = INTEGER + MEMORY + FLOAT + TRAPS + FUEL + REUSE + LONG + OUTSIDE + DEVICE


def twins(names: Collection[str]) -> list[Case]:
    """The cases of these names, in their usual order."""
    found = [case for case in CASES if case.name in names]
    assert len(found) == len(names), f"no such case: {set(names) - {case.name for case in found}}"
    return found
