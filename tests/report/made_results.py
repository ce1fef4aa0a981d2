"""Check results made by hand, one of each kind, for the tests of this folder."""

from __future__ import annotations

from harness.results import CheckResult, Difference, Finding, FunctionResult, InputPart, LegInfo, Missed, Writer
from harness.verdicts import DifferenceKind, Miss, Verdict

LEGS = (
    LegInfo("reference", "0.1.0"),
    LegInfo("unicorn", "2.1.4"),
    LegInfo("gcc -O2", "gcc (Debian 12.2.0-14) 12.2.0"),
)

REGISTER = Finding(
    difference=Difference(
        DifferenceKind.REGISTER,
        "v0",
        (("reference", "ffffffff80000000"), ("unicorn", "ffffffff80000000"), ("gcc -O2", "0000000080000000")),
        others=2,
        loc=("gpr", 2),
    ),
    writer=Writer(0xFFFF_FFFF_8000_1034, "sra v0,a0,0x4"),
    inputs=(InputPart("a0", "0000000080000000"), InputPart("ffffffff80400010", "00000003")),
    words=2,
    case="cases/tide_height-0123456789ab.json",
)

MEMORY = Finding(
    difference=Difference(
        DifferenceKind.MEMORY,
        "ffffffff80400015",
        (("reference", "34"), ("unicorn", "34"), ("gcc -O2", "35")),
        others=0,
        words=(("reference", "12345678"), ("unicorn", "12345678"), ("gcc -O2", "12355678")),
        loc=("mem", 0xFFFF_FFFF_8040_0015),
    ),
    writer=None,
    inputs=(),
    words=0,
    case="cases/berth_insert-0123456789ab.json",
)

CRASH = Finding(
    difference=Difference(
        DifferenceKind.CRASH,
        "stop",
        (("reference", "returned"), ("gcc -O2", "crash: host division by zero")),
    ),
    writer=None,
    inputs=(InputPart("a1", "0000000000000000"),),
    words=1,
    case="cases/moon_phase-0123456789ab.json",
)


EVENT = Finding(
    difference=Difference(
        DifferenceKind.EVENT,
        "port_send",
        (
            ("reference", "port_send(a0=00000002, a1[4]=686f6e6b) gives v0=00000000"),
            ("unicorn", "port_send(a0=00000002, a1[4]=686f6e6b) gives v0=00000000"),
            ("gcc -O2", "write 4 bytes at ffffffffa4f00010: 00000001"),
        ),
        events=(
            (
                "reference",
                (
                    *("read 4 bytes at ffffffffa4f00004 gives 00000000",) * 7,
                    "port_send(a0=00000002, a1[4]=686f6e6b) gives v0=00000000",
                    "write 4 bytes at ffffffffa4f00010: 00000001",
                ),
            ),
            ("unicorn", ()),
            (
                "gcc -O2",
                (
                    *("read 4 bytes at ffffffffa4f00004 gives 00000000",) * 7,
                    "write 4 bytes at ffffffffa4f00010: 00000001",
                ),
            ),
        ),
        number=8,
    ),
    writer=None,
    inputs=(InputPart("a0", "0000000000000002"),),
    words=1,
    case="cases/horn_sound-0123456789ab.json",
)


def function(name: str, number: int, verdict: Verdict, **fields: object) -> FunctionResult:
    """One row of the build o32-O1 under gcc -O2 with plausible counts; ``fields`` replace them."""
    values: dict[str, object] = {
        "name": name,
        "address": 0xFFFF_FFFF_8000_1000 + 0x40 * number,
        "size": 64,
        "verdict": verdict,
        "build": "o32-O1",
        "compiler": "gcc -O2",
        "states": 200,
        "compared": 200,
        "instructions_reached": 16,
        "instructions_total": 16,
        "branches_reached": 3,
        "branches_total": 4,
    }
    return FunctionResult(**{**values, **fields})  # type: ignore[arg-type]  # the tests give the right types


AGREES = function(
    "crc32_step",
    0,
    Verdict.AGREE,
    compared=198,
    discarded=(("open:non-canonical-operand", 2),),
    missed=(Missed(0xFFFF_FFFF_8000_1010, False, Miss.UNSOLVED),),
)

ALL_KINDS = (
    AGREES,
    function("tide_height", 1, Verdict.DIFFER, states=3, compared=3, finding=REGISTER),
    function("berth_insert", 2, Verdict.DIFFER, states=1, compared=1, finding=MEMORY),
    function("moon_phase", 3, Verdict.DIFFER, states=9, compared=9, finding=CRASH),
    function(
        "bell_sound",
        4,
        Verdict.INCONCLUSIVE,
        reason="under half of the states compared",
        compared=40,
        discarded=(("guest trap:tlb-load", 150), ("references disagree", 10)),
        notes=("references disagree at f0: reference 3f800000, unicorn 3f800001; kept in cases/bell-0123.json",),
        branches_total=8,
        missed=(
            Missed(0xFFFF_FFFF_8000_1104, True, Miss.BEHIND),
            Missed(0xFFFF_FFFF_8000_1104, False, Miss.BEHIND),
            Missed(0xFFFF_FFFF_8000_1110, True, Miss.IMPOSSIBLE),
            Missed(0xFFFF_FFFF_8000_1120, False, Miss.UNFINISHED),
            Missed(0xFFFF_FFFF_8000_1130, True, Miss.UNSOLVED),
        ),
    ),
    function(
        "panic",
        5,
        Verdict.NOT_RUN,
        reason="excluded: never returns",
        states=0,
        compared=0,
        instructions_reached=0,
        branches_reached=0,
    ),
    function("adler32", 6, Verdict.AGREE, build="n32-O2", states=1200, compared=1200),
    function(
        "buoy_matrix",
        7,
        Verdict.HARNESS_ERROR,
        build="n32-O2",
        compiler="",
        reason="the worker process died while it ran this function",
        states=0,
        compared=0,
        instructions_reached=0,
        branches_reached=0,
    ),
    function("horn_sound", 8, Verdict.DIFFER, states=2, compared=2, finding=EVENT),
)


def result(*functions: FunctionResult, interrupted: bool = False) -> CheckResult:
    """A check of ``functions``."""
    timing = (("compare", 0.5), ("draw", 1.0), ("reference", 6.0), ("translated", 0.5), ("unicorn", 2.0))
    return CheckResult(7, "abi", LEGS, functions, 12.34, timing, interrupted, unfinished=1234 if interrupted else 0)
