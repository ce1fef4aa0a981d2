"""What the chip makes of floating-point arithmetic: values, FCR31, exceptions and what it leaves to software.

FCR31 values are written out; the layout is in V5K (NEC U11761EJ6V0UM) p. 188-192. "Measured" is Unicorn 2.1.4.
"""

from __future__ import annotations

import pytest
from float_runs import operate, row_of

from interp.ops_fpu_arith import CONDITIONS

ONE, TWO, MINUS = 0x3F80_0000, 0x4000_0000, 0x8000_0000
INFINITY, QUIET, SIGNALLING = 0x7F80_0000, 0x7F80_0001, 0x7FC0_0000
D_ONE, D_QUIET, D_SIGNALLING = 0x3FF0_0000_0000_0000, 0x7FF0_0000_0000_0001, 0x7FF8_0000_0000_0000
FLUSH = 0x0100_0000
UNIMPLEMENTED = 0x0002_0000


def run(name: str, *operands: int) -> tuple[int, int]:
    """Bits and FCR31 that an instruction gives from its operands and the FCR31 before."""
    *values, fcsr = operands
    result = operate(name, *values, fcsr=fcsr)
    assert result.bits is not None and (result.trap, result.noted) == ("", ())
    return result.bits, result.fcsr


def compared(name: str, fs: int, ft: int, fcsr: int) -> int:
    """FCR31 after a compare."""
    result = operate(name, fs, ft, fcsr)
    assert (result.bits, result.trap, result.noted) == (None, "", ())
    return result.fcsr


def trapped(name: str, *operands: int) -> tuple[str, int]:
    """The exception of an instruction and what it leaves in FCR31; the destination stays."""
    *values, fcsr = operands
    result = operate(name, *values, fcsr=fcsr)
    assert result.bits is None
    return result.trap, result.fcsr


@pytest.mark.parametrize(
    ("name", "operands", "bits", "fcsr"),
    [
        ("add.s", (ONE, ONE), TWO, 0),
        ("sub.s", (ONE, TWO), ONE | MINUS, 0),
        ("mul.s", (TWO, TWO), 0x4080_0000, 0),
        ("div.s", (ONE, TWO), 0x3F00_0000, 0),
        ("div.s", (ONE, 0x4040_0000), 0x3EAA_AAAB, 0x0000_1004),  # 1/3: I
        ("add.d", (D_ONE, D_ONE), 0x4000_0000_0000_0000, 0),
        ("sub.d", (D_ONE, D_ONE), 0, 0),
        ("mul.d", (D_ONE, D_ONE), D_ONE, 0),
        ("div.d", (D_ONE, 0x4008_0000_0000_0000), 0x3FD5_5555_5555_5555, 0x0000_1004),
        ("sqrt.s", (0x4110_0000,), 0x4040_0000, 0),
        ("sqrt.d", (0x4022_0000_0000_0000,), 0x4008_0000_0000_0000, 0),
        ("abs.s", (ONE | MINUS,), ONE, 0),
        ("abs.d", (0xBFF0_0000_0000_0000,), D_ONE, 0),
        ("neg.s", (0,), MINUS, 0),
        ("neg.d", (D_ONE,), 0xBFF0_0000_0000_0000, 0),
        ("cvt.s.d", (0x3FF8_0000_0000_0000,), 0x3FC0_0000, 0),
        ("cvt.d.s", (0x3FC0_0000,), 0x3FF8_0000_0000_0000, 0),
        ("cvt.s.w", (0xFFFF_FFFF,), 0xBF80_0000, 0),
        ("cvt.d.w", (0x8000_0000,), 0xC1E0_0000_0000_0000, 0),
        ("cvt.s.l", (0xFFFF_FFFF_FFFF_FFFF,), 0xBF80_0000, 0),
        ("cvt.d.l", (0x0000_0000_8000_0000,), 0x41E0_0000_0000_0000, 0),
        ("cvt.s.w", (0x0100_0001,), 0x4B80_0000, 0x0000_1004),
        ("cvt.w.s", (0x3FC0_0000,), 2, 0x0000_1004),
        ("cvt.w.d", (0xBFF8_0000_0000_0000,), 0xFFFF_FFFE, 0x0000_1004),
        ("cvt.l.s", (0xBF80_0000,), 0xFFFF_FFFF_FFFF_FFFF, 0),
        ("cvt.l.d", (0x4340_0000_0000_0000 - 1,), 2**53 - 1, 0),
        ("cvt.l.d", (0xC340_0000_0000_0000,), -(2**53) % 2**64, 0),
        # measured: V, Z, O+I each without an enable
        ("add.s", (SIGNALLING, ONE), 0x7FBF_FFFF, 0x0001_0040),
        ("add.s", (SIGNALLING, QUIET), 0x7FBF_FFFF, 0x0001_0040),
        ("add.d", (D_SIGNALLING, D_ONE), 0x7FF7_FFFF_FFFF_FFFF, 0x0001_0040),
        ("sub.s", (INFINITY, INFINITY), 0x7FBF_FFFF, 0x0001_0040),
        ("mul.s", (0, INFINITY), 0x7FBF_FFFF, 0x0001_0040),
        ("div.s", (0, 0), 0x7FBF_FFFF, 0x0001_0040),
        ("div.s", (INFINITY, INFINITY), 0x7FBF_FFFF, 0x0001_0040),
        ("sqrt.s", (ONE | MINUS,), 0x7FBF_FFFF, 0x0001_0040),
        ("div.s", (ONE, 0), INFINITY, 0x0000_8020),
        ("div.s", (INFINITY, 0), INFINITY, 0),
        ("mul.s", (0x7F7F_FFFF, TWO), INFINITY, 0x0000_5014),
        # R4K p. 193: the sign operations are arithmetic
        ("abs.s", (SIGNALLING,), 0x7FBF_FFFF, 0x0001_0040),
        ("neg.d", (D_SIGNALLING,), 0x7FF7_FFFF_FFFF_FFFF, 0x0001_0040),
    ],
)
def test_arithmetic_gives_bits_and_fcsr(name: str, operands: tuple[int, ...], bits: int, fcsr: int) -> None:
    assert run(name, *operands, 0) == (bits, fcsr)


def test_arithmetic_rounds_as_rm_says() -> None:
    # 1 + 2**-24 in the four modes
    assert [run("add.s", ONE, 0x3380_0000, rm)[0] for rm in range(4)] == [ONE, ONE, ONE + 1, ONE]
    assert [run("cvt.w.s", 0x4020_0000, rm)[0] for rm in range(4)] == [2, 2, 3, 2]  # 2.5
    assert [run("cvt.s.d", 0x3FF0_0000_1000_0000, rm)[0] for rm in range(4)] == [ONE, ONE, ONE + 1, ONE]


@pytest.mark.parametrize(
    ("name", "expected"),
    [("round", (0xFFFF_FFFE, 2)), ("trunc", (0xFFFF_FFFE, 2)), ("ceil", (0xFFFF_FFFE, 3)), ("floor", (0xFFFF_FFFD, 2))],
)
def test_rounding_conversions_ignore_rm(name: str, expected: tuple[int, int]) -> None:
    for rm in range(4):
        for value, word in zip((-2.5, 2.5), expected, strict=True):
            single = {-2.5: 0xC020_0000, 2.5: 0x4020_0000}[value]
            double = {-2.5: 0xC004_0000_0000_0000, 2.5: 0x4004_0000_0000_0000}[value]
            doubleword = word | 0xFFFF_FFFF_0000_0000 if value < 0 else word
            assert run(f"{name}.w.s", single, rm) == (word, 0x1004 | rm)
            assert run(f"{name}.w.d", double, rm) == (word, 0x1004 | rm)
            assert run(f"{name}.l.s", single, rm) == (doubleword, 0x1004 | rm)
            assert run(f"{name}.l.d", double, rm) == (doubleword, 0x1004 | rm)


@pytest.mark.parametrize("name", ["mov.s", "mov.d"])
def test_mov_copies_any_bits_and_knows_no_fcsr(name: str) -> None:
    for bits in (0, 1, QUIET, SIGNALLING, D_QUIET, D_SIGNALLING, 0xFFFF_FFFF):
        assert run(name, bits, 0x0180_FFFF) == (bits & (0xFFFF_FFFF if name == "mov.s" else -1), 0x0180_FFFF)
    assert row_of(name).results == ("fd",)


def test_each_operation_rewrites_the_cause_and_keeps_the_flags() -> None:
    # Stale cause Z and flag Z, C and all else set that does not trap.
    assert run("add.s", ONE, ONE, 0x0080_8023) == (TWO, 0x0080_0023)
    assert run("neg.s", ONE, 0x0000_8000) == (ONE | MINUS, 0)
    assert run("div.s", ONE, 0x4040_0000, 0x0000_8020) == (0x3EAA_AAAB, 0x0000_1024)
    assert run("div.s", ONE, 0x4040_0000, 0x0000_1000) == (0x3EAA_AAAB, 0x0000_1004)
    assert compared("c.eq.s", ONE, TWO, 0x0080_8020) == 0x0000_0020


def test_one_more_inexact_result_leaves_fcsr_and_traps_where_it_is_enabled_by_now() -> None:
    assert run("div.s", ONE, 0x4040_0000, 0x0180_1006) == (0x3EAA_AAAB, 0x0180_1006)  # RM: towards +infinity
    assert trapped("div.s", ONE, 0x4040_0000, 0x0000_1084) == ("fp-exception", 0x0000_1084)


@pytest.mark.parametrize(
    ("name", "operands", "enable", "cause"),
    [
        ("div.s", (0, 0), 0x0800, 0x0001_0000),  # measured: 00010800
        ("div.s", (ONE, 0), 0x0400, 0x0000_8000),
        ("mul.s", (0x7F7F_FFFF, TWO), 0x0200, 0x0000_5000),
        ("mul.s", (0x7F7F_FFFF, TWO), 0x0080, 0x0000_5000),
        ("div.d", (D_ONE, 0x4008_0000_0000_0000), 0x0080, 0x0000_1000),
        ("add.s", (SIGNALLING, ONE), 0x0800, 0x0001_0000),
        ("abs.s", (SIGNALLING,), 0x0800, 0x0001_0000),
        ("cvt.w.s", (0x3FC0_0000,), 0x0080, 0x0000_1000),
        ("c.lt.s", (QUIET, ONE), 0x0800, 0x0001_0000),
    ],
)
def test_an_enabled_exception_traps_with_its_cause_and_without_flags(
    name: str, operands: tuple[int, ...], enable: int, cause: int
) -> None:
    assert trapped(name, *operands, enable) == ("fp-exception", enable | cause)
    assert trapped(name, *operands, enable | 0x0080_0000) == ("fp-exception", enable | cause | 0x0080_0000)


@pytest.mark.parametrize(
    ("name", "operands", "ieee"),
    [
        # (IEEE bits and FCR31 for the option)
        ("add.s", (QUIET, ONE), (QUIET, 0)),
        ("add.s", (ONE, 0xFF80_1234), (0xFF80_1234, 0)),
        ("mul.d", (D_QUIET, D_ONE), (D_QUIET, 0)),
        ("sqrt.s", (QUIET,), (QUIET, 0)),
        ("abs.s", (QUIET | MINUS,), (QUIET, 0)),
        ("neg.s", (QUIET,), (QUIET | MINUS, 0)),
        ("cvt.d.s", (0x7FBF_FFFF,), (0x7FF7_FFFF_E000_0000, 0)),
        ("cvt.s.d", (D_QUIET,), (0x7FBF_FFFF, 0)),
        ("mul.s", (1, ONE), (1, 0)),
        ("sqrt.s", (1,), (0x1A35_04F3, 0x1004)),
        ("neg.s", (1,), (MINUS | 1, 0)),
        ("abs.s", (MINUS | 1,), (1, 0)),
        ("cvt.d.s", (1,), (0x36A0_0000_0000_0000, 0)),
        ("add.s", (SIGNALLING, 1), (0x7FBF_FFFF, 0x0001_0040)),
        ("mul.s", (0x0080_0000, 0x3F00_0000), (0x0040_0000, 0)),
        ("mul.s", (0x0080_0001, 0x3F00_0000), (0x0040_0000, 0x300C)),
        ("cvt.s.d", (0x3690_0000_0000_0001,), (1, 0x300C)),
        # the largest integers and what is just outside (NaN and infinities too)
        ("cvt.w.s", (0x4F00_0000,), (0x7FFF_FFFF, 0x0001_0040)),
        ("trunc.w.d", (0xC1E0_0000_0020_0000,), (0x7FFF_FFFF, 0x0001_0040)),
        ("cvt.w.d", (0x41DF_FFFF_FFE0_0000,), (0x7FFF_FFFF, 0x0001_0040)),  # 2147483647.5
        ("floor.w.s", (0xFF80_0000,), (0x7FFF_FFFF, 0x0001_0040)),
        ("cvt.w.s", (QUIET,), (0x7FFF_FFFF, 0x0001_0040)),
        ("cvt.w.s", (SIGNALLING,), (0x7FFF_FFFF, 0x0001_0040)),
        ("trunc.w.s", (1,), (0, 0x1004)),
        ("cvt.l.d", (0x43E0_0000_0000_0000,), (2**63 - 1, 0x0001_0040)),
        ("cvt.l.d", (0x4340_0000_0000_0000,), (2**53, 0)),
        ("cvt.l.d", (0xC340_0000_0000_0001,), (-(2**53) - 2 & 2**64 - 1, 0)),
        ("trunc.l.s", (0x5F00_0000 - 1,), (0x7FFF_FF80_0000_0000, 0)),
        ("cvt.d.l", (2**55,), (0x4360_0000_0000_0000, 0)),
        ("cvt.s.l", (2**62 + 1,), (0x5E80_0000, 0x1004)),
        ("cvt.d.l", (2**63,), (0xC3E0_0000_0000_0000, 0)),
    ],
)
def test_what_the_chip_leaves_to_software_traps_or_is_ieee_by_option(
    name: str, operands: tuple[int, ...], ieee: tuple[int, int]
) -> None:
    assert trapped(name, *operands, 0) == ("unimplemented-operation", UNIMPLEMENTED)
    # Stale causes go, the flags stay.
    assert trapped(name, *operands, 0x0001_F07C) == ("unimplemented-operation", UNIMPLEMENTED | 0x7C)
    assert operate(name, *operands, ieee=True) == (*ieee, "", ("unimplemented-operation",))


def test_doublewords_up_to_55_bits_are_converted() -> None:
    for value in (2**55 - 1, -(2**55), 0, -1):
        assert run("cvt.d.l", value % 2**64, 0)[1] in (0, 0x1004)
    assert trapped("cvt.d.l", (-(2**55) - 1) % 2**64, 0)[0] == "unimplemented-operation"


# V5K table 8-4. Columns RN, RZ, RP, RM.
@pytest.mark.parametrize(
    ("a", "b", "flushed"),
    [
        (0x0080_0000, 0x3F00_0000, (0, 0, 0x0080_0000, 0)),  # an exact subnormal too
        (0x0080_0001, 0x3F00_0000, (0, 0, 0x0080_0000, 0)),
        (0x8080_0001, 0x3F00_0000, (MINUS, MINUS, MINUS, 0x8080_0000)),
        (0x0080_0000, 0x0080_0000, (0, 0, 0x0080_0000, 0)),
    ],
)
def test_a_tiny_result_is_flushed_by_mode_with_fs(a: int, b: int, flushed: tuple[int, ...]) -> None:
    results = [run("mul.s", a, b, FLUSH | rm) for rm in range(4)]
    assert results == [(bits, FLUSH | 0x300C | rm) for rm, bits in enumerate(flushed)]


def test_a_tiny_double_is_flushed_to_the_smallest_normal_double() -> None:
    half = 0x3FE0_0000_0000_0000
    assert run("mul.d", 0x0010_0000_0000_0000, half, FLUSH | 2)[0] == 0x0010_0000_0000_0000
    assert run("mul.d", 0x8010_0000_0000_0000, half, FLUSH | 2)[0] == 0x8000_0000_0000_0000


@pytest.mark.parametrize("enable", [0x0100, 0x0080], ids=["U", "I"])
def test_a_tiny_result_is_not_flushed_with_u_or_i_enabled(enable: int) -> None:
    assert trapped("mul.s", 0x0080_0000, 0x3F00_0000, FLUSH | enable) == (
        "unimplemented-operation",
        FLUSH | enable | UNIMPLEMENTED,
    )


def test_fs_does_not_flush_operands_and_leaves_normal_results_alone() -> None:
    assert trapped("mul.s", 1, ONE, FLUSH)[0] == "unimplemented-operation"
    assert run("mul.s", 0x0080_0001, 0x3F7F_FFFE, FLUSH) == (0x0080_0000, FLUSH | 0x1004)  # rounds up to it: not tiny


LESS, EQUAL, GREATER, UNORDERED = (ONE, TWO), (ONE, ONE), (TWO, ONE), (QUIET, ONE)
#: R4K App. B, C.cond.fmt: the relations for which each condition holds.
HOLDS: dict[str, tuple[tuple[int, int], ...]] = {
    "f": (),
    "un": (UNORDERED,),
    "eq": (EQUAL,),
    "ueq": (EQUAL, UNORDERED),
    "olt": (LESS,),
    "ult": (LESS, UNORDERED),
    "ole": (LESS, EQUAL),
    "ule": (LESS, EQUAL, UNORDERED),
    "sf": (),
    "ngle": (UNORDERED,),
    "seq": (EQUAL,),
    "ngl": (EQUAL, UNORDERED),
    "lt": (LESS,),
    "nge": (LESS, UNORDERED),
    "le": (LESS, EQUAL),
    "ngt": (LESS, EQUAL, UNORDERED),
}
SIGNALS = ("sf", "ngle", "seq", "ngl", "lt", "nge", "le", "ngt")


def widened(a: int) -> int:
    return {ONE: D_ONE, TWO: 0x4000_0000_0000_0000, QUIET: D_QUIET, SIGNALLING: D_SIGNALLING}[a]


@pytest.mark.parametrize("condition", CONDITIONS)
def test_a_compare_sets_the_condition(condition: str) -> None:
    for relation in (LESS, EQUAL, GREATER, UNORDERED):
        for before in (0, 0x0080_0000):
            after = 0x0080_0000 if relation in HOLDS[condition] else 0
            if relation is UNORDERED and condition in SIGNALS:
                after |= 0x0001_0040
            a, b = relation
            assert compared(f"c.{condition}.s", a, b, before) == after
            assert compared(f"c.{condition}.d", widened(a), widened(b), before) == after


@pytest.mark.parametrize("condition", CONDITIONS)
def test_a_signalling_nan_is_invalid_in_every_compare(condition: str) -> None:
    after = 0x0001_0040 | (0x0080_0000 if UNORDERED in HOLDS[condition] else 0)
    assert compared(f"c.{condition}.s", SIGNALLING, ONE, 0) == after
    assert compared(f"c.{condition}.d", D_ONE, D_SIGNALLING, 0) == after
    assert trapped(f"c.{condition}.s", ONE, SIGNALLING, 0x0080_0800) == ("fp-exception", 0x0081_0800)


def test_compares_take_denormals_by_value_and_zeros_as_equal() -> None:
    assert compared("c.lt.s", 0, 1, FLUSH) == FLUSH | 0x0080_0000
    assert compared("c.eq.s", 0, 1, FLUSH) == FLUSH
    assert compared("c.eq.s", 0, MINUS, 0) == 0x0080_0000
    assert compared("c.lt.s", MINUS, 0, 0) == 0
