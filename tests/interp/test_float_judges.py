"""Every floating-point row against MPFR, the host's arithmetic and the manual's rules for NaNs, through the machine.

``ci/interp-campaign`` does the same with all operands; here it is one in ten, half of the ways to run them.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from itertools import product

import pytest
from float_chip import INEXACT, LAYOUTS, MANUAL, TINY, Judge, operation
from float_host import HOST
from float_judgement import FLOAT_ROWS, MODES, Verdict, judged, rounds
from float_mpfr import MPFR, exact
from float_operands import PAIRS, cases, has_two, runs, structured

from interp import softfloat
from interp.optable import Row
from interp.softfloat import DOUBLE, SINGLE, Format

pytestmark = pytest.mark.cross("cc", "module:gmpy2")
JUDGES = (MANUAL, MPFR, HOST)
PART = 10

TWO = [row for row in FLOAT_ROWS if has_two(row)]
FORMATS = pytest.mark.parametrize("fmt", [SINGLE, DOUBLE], ids=["single", "double"])


def name_of(row: Row) -> str:
    return row.name


def by_judge(verdicts: list[Verdict]) -> dict[tuple[str, str], int]:
    """(mode, judge) -> cases; no difference is let through."""
    found: Counter[tuple[str, str]] = Counter()
    for verdict in verdicts:
        assert verdict.differences == 0, "\n".join(verdict.examples)
        found[verdict.mode, verdict.judge] += verdict.cases
    return found


def judges_of(row: Row) -> set[str]:
    """Who has to have a say: nobody computes MOV, and an integer is no NaN."""
    if row.name.startswith("mov"):
        return {"manual"}
    return {"MPFR", "host"} if operation(row).operand is None else {"manual", "MPFR", "host"}


@pytest.mark.parametrize("row", FLOAT_ROWS, ids=name_of)
def test_floating_point_rows_agree_with_the_judges(row: Row) -> None:
    counts = by_judge(list(judged(row, JUDGES, PART, thorough=False)))
    modes = MODES if rounds(row) else ("any",)
    assert set(counts) <= {*product(modes, judges_of(row))}
    assert {judge for _, judge in counts} == judges_of(row)
    if has_two(row):
        assert min(counts[mode, "host"] for mode in modes) >= PAIRS / PART


@pytest.mark.parametrize("name", ["div.s", "add.d", "c.lt.s", "c.lt.d"])
def test_the_campaign_takes_all_structured_pairs_which_are_more_than_it_must(name: str) -> None:
    row = next(row for row in TWO if row.name == name)
    every = {*product(structured(SINGLE if row.fp_in == 32 else DOUBLE), repeat=2)}
    assert len(every) >= PAIRS
    assert every <= {*cases(row)}


def test_the_modes_that_a_row_is_judged_in_are_those_that_the_manual_names() -> None:
    # R4K App. B: what rounds by FCR31 is arithmetic and CVT; CVT to double of a single or a word is exact.
    stems = {row.name.split(".")[0] for row in FLOAT_ROWS if rounds(row)}
    assert stems == {"add", "sub", "mul", "div", "sqrt", "cvt"}
    assert {row.name for row in FLOAT_ROWS if row.name.startswith("cvt") and not rounds(row)} <= {"cvt.d.s", "cvt.d.w"}


@pytest.mark.campaign
@pytest.mark.parametrize("row", FLOAT_ROWS, ids=name_of)
def test_floating_point_rows_agree_with_the_judges_on_all_operands(row: Row) -> None:
    counts = by_judge(list(judged(row, JUDGES)))
    if has_two(row):
        assert min(count for (_, judge), count in counts.items() if judge == "host") >= PAIRS


# --- the operands, tested: they reach what they are made for ---------------------------------------------------------


@FORMATS
def test_structured_operands_have_all_signs_extremes_and_runs_of_ones(fmt: Format) -> None:
    operands = structured(fmt)
    assert len(operands) == len(set(operands))
    largest = fmt.infinity >> fmt.fraction_bits
    exponents = {(bits & fmt.infinity) >> fmt.fraction_bits for bits in operands}
    assert {0, 1, 2, largest // 2 - 1, largest // 2, largest // 2 + 1, largest - 2, largest - 1, largest} <= exponents
    assert {bits & fmt.fraction for bits in operands} >= {0, fmt.fraction, *runs(fmt)}
    assert {bits ^ fmt.sign for bits in operands} == set(operands)


def rational(fmt: Format, bits: int) -> Fraction:
    """The value of a finite encoding."""
    return Fraction(*exact("s" if fmt is SINGLE else "d", bits).as_integer_ratio())


def is_halfway(fmt: Format, value: Fraction) -> bool:
    """Whether a value lies in the middle between two neighbouring numbers."""
    numerator, denominator = abs(value).as_integer_ratio()
    if not numerator:
        return False
    exponent = numerator.bit_length() - denominator.bit_length()
    exponent -= numerator < denominator * Fraction(2) ** exponent
    unit = Fraction(2) ** max(exponent - fmt.fraction_bits, fmt.quantum)
    return abs(value) / unit % 1 == Fraction(1, 2)


OPERATORS = {"add": Fraction.__add__, "sub": Fraction.__sub__, "mul": Fraction.__mul__, "div": Fraction.__truediv__}


@FORMATS
@pytest.mark.parametrize("stem", OPERATORS)
def test_pairs_are_often_halfway_and_results_often_just_below_the_smallest_normal(fmt: Format, stem: str) -> None:
    row = next(row for row in FLOAT_ROWS if row.name == f"{stem}.{'s' if fmt is SINGLE else 'd'}")
    halfway = below = 0
    for a, b in cases(row, PART):
        if max(a & ~fmt.sign, b & ~fmt.sign) < fmt.infinity and (b & ~fmt.sign or stem != "div"):
            result = OPERATORS[stem](rational(fmt, a), rational(fmt, b))
            halfway += is_halfway(fmt, result)
            below += 1 - Fraction(1, 2 ** (fmt.precision - 4)) < abs(result) / rational(fmt, fmt.smallest_normal) < 1
    assert halfway > 100
    assert below > (60 if stem in ("mul", "div") else 0)


@pytest.mark.parametrize("name", ["mul.s", "mul.d", "div.s", "div.d", "cvt.s.d"])
def test_results_are_often_tiny_by_rounding_alone(name: str) -> None:
    # They reach the smallest normal number, and only the flags tell whether they were below it.
    row = next(row for row in FLOAT_ROWS if row.name == name)
    op = operation(row)
    assert op.result is not None
    operands = cases(row, PART)
    seen = Counter(
        answer.flags & TINY != 0
        for mode in range(4)
        for answer in MPFR.answers(op, mode, operands)
        if answer is not None and answer.bits & ~op.result.sign == op.result.smallest_normal and answer.flags & INEXACT
    )
    assert min(seen[True], seen[False]) >= 10, seen


# --- the tester, tested -----------------------------------------------------------------------------------------------


def ties_away(value: int, drop: int, rm: int) -> tuple[int, bool]:
    """Halfway cases go away from zero."""
    kept, inexact = RIGHT(value, drop, rm)
    if inexact and rm == softfloat.NEAREST and abs(value) >> drop - 1 & 1:
        kept = ((abs(value) >> drop) + 1) * (-1 if value < 0 else 1)
    return kept, inexact


def up_is_away(value: int, drop: int, rm: int) -> tuple[int, bool]:
    """Rounding up forgets the sign."""
    if rm == softfloat.UP and value < 0:
        kept, inexact = RIGHT(-value, drop, rm)
        return -kept, inexact
    return RIGHT(value, drop, rm)


def never_inexact_by_one(value: int, drop: int, rm: int) -> tuple[int, bool]:
    """A lost last bit of a long magnitude does not count."""
    kept, inexact = RIGHT(value, drop, rm)
    return kept, inexact and (abs(value) - (abs(value) >> drop << drop) > 1 or drop < 3)


RIGHT = softfloat.rounded


@pytest.mark.parametrize("judge", [MPFR, HOST], ids=lambda judge: judge.name)
@pytest.mark.parametrize("wrong", [ties_away, up_is_away, never_inexact_by_one])
@pytest.mark.parametrize("name", ["add.s", "mul.d", "div.s", "cvt.s.d"])
def test_a_wrong_rounding_is_found(name: str, wrong: object, judge: Judge, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(softfloat, "rounded", wrong)
    row = next(row for row in FLOAT_ROWS if row.name == name)
    assert sum(verdict.differences for verdict in judged(row, [judge], 40, thorough=False)) > 0


@pytest.mark.parametrize("judge", [MPFR, HOST], ids=lambda judge: judge.name)
def test_a_row_that_is_another_is_found(judge: Judge) -> None:
    add, sub = (next(row for row in FLOAT_ROWS if row.name == name) for name in ("add.d", "sub.d"))
    operands = cases(add, 40)
    assert judge.answers(operation(add), 0, operands) != judge.answers(operation(sub), 0, operands)


def test_the_formats_of_the_judges_are_those_of_ieee_754() -> None:
    # IEEE 754-2008 table 3.5; NaNs of the old encoding, R4K p. 165.
    assert (LAYOUTS["s"].infinity, LAYOUTS["s"].smallest_normal) == (0x7F80_0000, 0x0080_0000)
    assert (LAYOUTS["d"].infinity, LAYOUTS["d"].smallest_normal) == (0x7FF0_0000_0000_0000, 0x0010_0000_0000_0000)
    assert (LAYOUTS["s"].default_nan, LAYOUTS["d"].default_nan) == (0x7FBF_FFFF, 0x7FF7_FFFF_FFFF_FFFF)
