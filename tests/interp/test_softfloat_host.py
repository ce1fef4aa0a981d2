"""The soft-float's values and flags against the host's arithmetic, through a small C program and ``fenv``."""

from __future__ import annotations

import platform
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest
from float_operands import near_smallest_normal, operand, pairs

from interp.softfloat import DOUBLE, IEEE_FLAGS, NEAREST, SINGLE, UNDERFLOW, Format

pytestmark = pytest.mark.cross("cc", "module:cffi")

#: AArch64 and others find tininess before rounding, which moves the underflow flag (IEEE 754-2008 section 7.5).
FLAGS = IEEE_FLAGS if platform.machine() in ("x86_64", "AMD64") else IEEE_FLAGS & ~UNDERFLOW

SOURCE = r"""
#include <fenv.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

#define OPERATIONS(T, U, name, root)                                                                       \
    static U name##_one(int op, U x, U y) {                                                                \
        volatile T a, b, r;                                                                                \
        U bits;                                                                                            \
        memcpy((void *)&a, &x, sizeof x);                                                                  \
        memcpy((void *)&b, &y, sizeof y);                                                                  \
        switch (op) {                                                                                      \
        case 0: r = a + b; break;                                                                          \
        case 1: r = a - b; break;                                                                          \
        case 2: r = a * b; break;                                                                          \
        case 3: r = a / b; break;                                                                          \
        default: r = root(a); break;                                                                       \
        }                                                                                                  \
        memcpy(&bits, (const void *)&r, sizeof bits);                                                      \
        return bits;                                                                                       \
    }
OPERATIONS(float, uint32_t, single, sqrtf)
OPERATIONS(double, uint64_t, dbl, sqrt)

static uint64_t convert(int op, uint64_t x) {
    volatile double d; volatile float f; volatile int64_t i;
    uint32_t word = (uint32_t)x;
    uint64_t bits = 0;
    switch (op) {
    case 10: memcpy((void *)&f, &word, 4); d = f; memcpy(&bits, (const void *)&d, 8); return bits;
    case 11: memcpy((void *)&d, &x, 8); f = (float)d; memcpy(&word, (const void *)&f, 4); return word;
    case 12: i = (int64_t)x; f = (float)i; memcpy(&word, (const void *)&f, 4); return word;
    case 13: i = (int64_t)x; d = (double)i; memcpy(&bits, (const void *)&d, 8); return bits;
    case 14: memcpy((void *)&f, &word, 4); return (uint64_t)llrintf(f);
    default: memcpy((void *)&d, &x, 8); return (uint64_t)llrint(d);
    }
}

static const int modes[4] = {FE_TONEAREST, FE_TOWARDZERO, FE_UPWARD, FE_DOWNWARD};

void run(int op, int single, long n, const int *rm, const uint64_t *a, const uint64_t *b, uint64_t *r, int *flags) {
    for (long i = 0; i < n; i++) {
        fesetround(modes[rm[i]]);
        feclearexcept(FE_ALL_EXCEPT);
        r[i] = op >= 10 ? convert(op, a[i])
             : single ? single_one(op, (uint32_t)a[i], (uint32_t)b[i]) : dbl_one(op, a[i], b[i]);
        int e = fetestexcept(FE_ALL_EXCEPT);
        flags[i] = (e & FE_INEXACT ? 1 : 0) | (e & FE_UNDERFLOW ? 2 : 0) | (e & FE_OVERFLOW ? 4 : 0)
                 | (e & FE_DIVBYZERO ? 8 : 0) | (e & FE_INVALID ? 16 : 0);
    }
    fesetround(FE_TONEAREST);
}
"""
ADD, SUB, MUL, DIV, SQRT = range(5)
WIDEN, NARROW, SINGLE_FROM_L, DOUBLE_FROM_L, L_FROM_SINGLE, L_FROM_DOUBLE = range(10, 16)

Run = Callable[[int, Format, Sequence[int], Sequence[tuple[int, int]]], list[tuple[int, int]]]


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Runs one operation of the host on many operands, each in its rounding mode: (bits, flags) of each."""
    cffi: Any = pytest.importorskip("cffi")
    folder: Path = tmp_path_factory.mktemp("host_float")
    source, library = folder / "host_float.c", folder / "host_float.so"
    source.write_text(SOURCE)
    options = ["-O1", "-frounding-math", "-ffp-contract=off", "-fPIC", "-shared"]
    subprocess.run(["cc", *options, str(source), "-o", str(library), "-lm"], check=True)
    ffi = cffi.FFI()
    ffi.cdef(
        "void run(int op, int single, long n, const int *rm, const uint64_t *a, const uint64_t *b,"
        "         uint64_t *r, int *flags);"
    )
    code = ffi.dlopen(str(library))

    def run(op: int, fmt: Format, modes: Sequence[int], operands: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
        n = len(operands)
        results, flags = ffi.new("uint64_t[]", n), ffi.new("int[]", n)
        a, b = (ffi.new("uint64_t[]", list(column)) for column in zip(*operands, strict=True))
        code.run(op, fmt is SINGLE, n, ffi.new("int[]", list(modes)), a, b, results, flags)
        return list(zip(results, flags, strict=True))

    return run


FORMATS = pytest.mark.parametrize("fmt", [SINGLE, DOUBLE], ids=["single", "double"])


def specials(fmt: Format, random: Random, count: int) -> list[tuple[int, int]]:
    """Pairs of which each member may be zero or infinite."""
    ends = (0, fmt.sign, fmt.infinity, fmt.infinity | fmt.sign)
    return [
        (
            random.choice(ends) if random.randrange(2) else operand(fmt, random),
            random.choice(ends) if random.randrange(2) else operand(fmt, random),
        )
        for _ in range(count)
    ]


def check_arithmetic(host: Run, fmt: Format, random: Random, count: int) -> None:
    operands = list(pairs(fmt, random, count)) + list(near_smallest_normal(fmt, random, count))
    operands += specials(fmt, random, count // 4)
    modes = [random.randrange(4) for _ in operands]
    for op, name in enumerate(("add", "sub", "mul", "div", "sqrt")):
        expected = host(op, fmt, modes, operands)
        operation = getattr(fmt, name)
        for (a, b), rm, (value, raised) in zip(operands, modes, expected, strict=True):
            bits, flags = operation(a, rm) if name == "sqrt" else operation(a, b, rm)
            if fmt.is_nan(value):  # the encoding of a NaN is the processor's own
                value = fmt.default_nan
            assert (bits, flags & FLAGS) == (value, raised & FLAGS), f"{name} {a:x} {b:x} rm {rm}"


def check_conversions(host: Run, random: Random, count: int) -> None:
    singles = [(operand(SINGLE, random), 0) for _ in range(count)]
    doubles = [(operand(DOUBLE, random), 0) for _ in range(count)]
    for _ in range(count):  # doubles in the range of single, near a halfway case
        fraction = random.getrandbits(23) << 29 | (1 << 28) + random.randrange(-2, 3)
        doubles.append((random.randrange(0x368, 0x480) << 52 | fraction | random.choice((0, DOUBLE.sign)), 0))
    integers = [(random.getrandbits(64) >> random.randrange(64), 0) for _ in range(count)]
    integers += [(-a % 2**64, 0) for a, _ in integers]
    modes = [random.randrange(4) for _ in range(2 * count)]
    for (a, _), (value, raised) in zip(singles, host(WIDEN, SINGLE, modes, singles), strict=True):
        bits, flags = DOUBLE.convert(a, SINGLE, NEAREST)
        assert (bits, flags & FLAGS) == (value, raised & FLAGS), f"widen {a:x}"
    for (a, _), rm, (value, raised) in zip(doubles, modes, host(NARROW, DOUBLE, modes, doubles), strict=True):
        bits, flags = SINGLE.convert(a, DOUBLE, rm)
        assert (bits, flags & FLAGS) == (value, raised & FLAGS), f"narrow {a:x} rm {rm}"
    for op, fmt in ((SINGLE_FROM_L, SINGLE), (DOUBLE_FROM_L, DOUBLE)):
        for (a, _), rm, expected in zip(integers, modes, host(op, fmt, modes, integers), strict=True):
            assert fmt.from_integer(a - (a >> 63 << 64), rm) == expected, f"from_integer {a:x} rm {rm}"
    for op, fmt, floats in ((L_FROM_SINGLE, SINGLE, singles), (L_FROM_DOUBLE, DOUBLE, doubles)):
        for (a, _), rm, (value, raised) in zip(floats, modes, host(op, fmt, modes, floats), strict=False):
            bits, flags = fmt.to_integer(a, 64, rm)
            assert flags & FLAGS == raised & FLAGS, f"to_integer {a:x} rm {rm}"
            assert bits == value or raised & 16, f"to_integer {a:x} rm {rm}"  # an invalid one is the processor's own


@FORMATS
def test_arithmetic_and_its_flags_agree_with_the_host(host: Run, fmt: Format) -> None:
    check_arithmetic(host, fmt, Random(21), 8000)


def test_conversions_and_their_flags_agree_with_the_host(host: Run) -> None:
    check_conversions(host, Random(22), 8000)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(8))
def test_a_larger_campaign_agrees_with_the_host(host: Run, seed: int) -> None:
    random = Random(2000 + seed)
    for fmt in (SINGLE, DOUBLE):
        check_arithmetic(host, fmt, random, 60_000)
    check_conversions(host, random, 60_000)
