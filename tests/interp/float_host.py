"""The host's arithmetic as a judge of floating-point operations, through a small C program and ``fenv``.

The host's NaNs have the new encoding: they are translated on the way in, and on the way out by the rule of the chip.
"""

from __future__ import annotations

import platform
import subprocess
import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import cffi
from float_chip import INVALID, SIGN_OPERATIONS, TINY, UNDERFLOW, Answer, Judge, Layout, Operation, Pair

#: AArch64 and others find tininess before rounding (IEEE 754-2008 section 7.5).
_AFTER_ROUNDING = platform.machine() in ("x86_64", "AMD64")

SOURCE = r"""
#include <fenv.h>
#include <math.h>
#include <stdint.h>
#include <string.h>

/* A set first fraction bit makes a NaN of the guest signalling, and one of the host quiet. */
#define FORMAT(T, U, name, infinity, first, root, absolute)                                                \
    static T name##_in(U x) {                                                                              \
        T value;                                                                                           \
        if ((x & ~(U)0 >> 1) > infinity) {                                                                 \
            x ^= first;                                                                                    \
            x |= (x & (first * 2 - 1)) == 0;                                                               \
        }                                                                                                  \
        memcpy(&value, &x, sizeof x);                                                                      \
        return value;                                                                                      \
    }                                                                                                      \
    static uint64_t name##_out(T value) {                                                                  \
        U x;                                                                                               \
        memcpy(&x, &value, sizeof x);                                                                      \
        return x;                                                                                          \
    }                                                                                                      \
    static uint64_t name##_operate(int op, U x, U y) {                                                     \
        volatile T a = name##_in(x), b = name##_in(y), r;                                                  \
        switch (op) {                                                                                      \
        case 0: r = a + b; break;                                                                          \
        case 1: r = a - b; break;                                                                          \
        case 2: r = a * b; break;                                                                          \
        case 3: r = a / b; break;                                                                          \
        case 4: r = root(a); break;                                                                        \
        case 5: r = absolute(a); break;                                                                    \
        case 6: r = -a; break;                                                                             \
        case 7: return (isless(a, b) ? 4 : 0) | (a == b ? 2 : 0) | (isunordered(a, b) ? 1 : 0);            \
        default: return (a < b ? 4 : 0) | (a == b ? 2 : 0) | (a < b || a >= b ? 0 : 1);                    \
        }                                                                                                  \
        return name##_out(r);                                                                              \
    }
FORMAT(float, uint32_t, single, UINT32_C(0x7f800000), UINT32_C(0x400000), sqrtf, fabsf)
FORMAT(double, uint64_t, dbl, UINT64_C(0x7ff0000000000000), UINT64_C(0x8000000000000), sqrt, fabs)

/* From and to: 0 single, 1 double, 2 word, 3 doubleword. */
static uint64_t convert(int from, int to, uint64_t x) {
    volatile float f = from == 0 ? single_in((uint32_t)x) : 0;
    volatile double d = from == 1 ? dbl_in(x) : 0;
    volatile int64_t i = from == 2 ? (int32_t)x : (int64_t)x;
    if (to == 0) {
        f = from == 1 ? (float)d : (float)i;
        return single_out(f);
    }
    if (to == 1) {
        d = from == 0 ? (double)f : (double)i;
        return dbl_out(d);
    }
    i = from == 0 ? llrintf(f) : llrint(d);
    if (to == 2 && i != (int32_t)i) { /* no word holds it: invalid, and not inexact (C17 F.4) */
        feclearexcept(FE_ALL_EXCEPT);
        feraiseexcept(FE_INVALID);
    }
    return to == 2 ? (uint32_t)i : (uint64_t)i;
}

static const int modes[4] = {FE_TONEAREST, FE_TOWARDZERO, FE_UPWARD, FE_DOWNWARD};

void run(int op, int from, int to, int mode, long n, const uint64_t *a, const uint64_t *b, uint64_t *r, int *flags) {
    fesetround(modes[mode]);
    for (long i = 0; i < n; i++) {
        feclearexcept(FE_ALL_EXCEPT);
        r[i] = op == 9 ? convert(from, to, a[i])
             : from == 0 ? single_operate(op, (uint32_t)a[i], (uint32_t)b[i]) : dbl_operate(op, a[i], b[i]);
        int e = fetestexcept(FE_ALL_EXCEPT);
        flags[i] = (e & FE_INEXACT ? 1 : 0) | (e & FE_UNDERFLOW ? 2 : 0) | (e & FE_OVERFLOW ? 4 : 0)
                 | (e & FE_DIVBYZERO ? 8 : 0) | (e & FE_INVALID ? 16 : 0);
    }
    fesetround(FE_TONEAREST);
}
"""
_OPERATIONS = {"add": 0, "sub": 1, "mul": 2, "div": 3, "sqrt": 4, "abs": 5, "neg": 6, "convert": 9}
_QUIET_COMPARE, _SIGNALLING_COMPARE = 7, 8


@cache
def _library() -> tuple[Any, Any]:
    ffi = cffi.FFI()
    ffi.cdef(
        "void run(int op, int from, int to, int mode, long n, const uint64_t *a, const uint64_t *b, uint64_t *r,"
        "         int *flags);"
    )
    with tempfile.TemporaryDirectory() as folder:
        source, library = Path(folder) / "host_float.c", Path(folder) / "host_float.so"
        source.write_text(SOURCE)
        options = ["-O1", "-frounding-math", "-fsignaling-nans", "-ffp-contract=off", "-fPIC", "-shared"]
        subprocess.run(["cc", *options, str(source), "-o", str(library), "-lm"], check=True)
        return ffi, ffi.dlopen(str(library))


def _answers(op: Operation, mode: int, operands: Sequence[Pair]) -> list[Answer | None]:
    """The answers in a rounding mode, or the operation's own; None where the host's rules are others."""
    if op.stem == "mov":  # no arithmetic
        return [None] * len(operands)
    if op.stem == "compare":
        code = _SIGNALLING_COMPARE if op.condition & 8 else _QUIET_COMPARE
        return [
            Answer(int(relation & op.condition & 7 != 0), flags & INVALID)
            for relation, flags in _run(code, op, mode, operands)
        ]
    found = _run(_OPERATIONS[op.stem], op, mode if op.mode is None else op.mode, operands)
    if op.result is None:
        largest = 0x7FFF_FFFF if op.to == "w" else 0x7FFF_FFFF_FFFF_FFFF
        return [Answer(largest if flags & INVALID else bits, flags) for bits, flags in found]
    return [
        _translated(op, op.result, pair, bits, flags) for pair, (bits, flags) in zip(operands, found, strict=True)
    ]


def _run(code: int, op: Operation, mode: int, operands: Sequence[Pair]) -> list[tuple[int, int]]:
    ffi, library = _library()
    n = len(operands)
    a, b = (ffi.new("uint64_t[]", list(column)) for column in zip(*operands, strict=True))
    bits, flags = ffi.new("uint64_t[]", n), ffi.new("int[]", n)
    library.run(code, "sdwl".index(op.source), "sdwl".index(op.to), mode, n, a, b, bits, flags)
    return list(zip(bits, flags, strict=True))


def _translated(op: Operation, result: Layout, pair: Pair, bits: int, flags: int) -> Answer | None:
    magnitude, smallest = bits & ~result.sign, result.smallest_normal
    if magnitude > result.infinity:
        if op.stem in SIGN_OPERATIONS:  # operations on the sign bit there, without signals
            return None
        a, b = pair
        source = op.operand
        assert source is not None
        quiet = a if source.is_nan(a) else b
        return Answer(result.default_nan if flags & INVALID or op.source != op.to else quiet, flags)
    if magnitude == smallest and flags & UNDERFLOW and not _AFTER_ROUNDING:
        return None
    return Answer(bits, flags | (TINY if flags & UNDERFLOW or 0 < magnitude < smallest else 0))


HOST = Judge("host", _answers)
