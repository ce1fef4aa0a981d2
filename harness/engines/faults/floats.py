"""Faults of the floating-point unit. NaNs are those of the old MIPS encoding (R4K p. 165): 7f800001 is a quiet one."""

from __future__ import annotations

from harness.engines.faults.model import NONE, OPEN, SOFTWARE, Fault, Group, Probe

_TRAP = "trap unimplemented-operation"
_QUIET, _SIGNALLING = 0x7F80_0001, 0x7FC0_0000
_ONE, _HALF, _LEAST_NORMAL = 0x3F80_0000, 0x3F00_0000, 0x0080_0000
_FLUSH, _TO_PLUS, _TO_MINUS = 1 << 24, 2, 3  # FS and rounding modes of FCR31
_RESULT = ("f2", "fcsr")

_ADD, _MUL, _SQRT = "46062080 add.s $f2,$f4,$f6", "46062082 mul.s $f2,$f4,$f6", "46002084 sqrt.s $f2,$f4"
_ABS, _NEG = "46002085 abs.s $f2,$f4", "46002087 neg.s $f2,$f4"
_WIDEN, _NARROW = "460020a1 cvt.d.s $f2,$f4", "462020a0 cvt.s.d $f2,$f4"
_TO_WORD, _TO_LONG = "4600208d trunc.w.s $f2,$f4", "46202089 trunc.l.d $f2,$f4"
_SINGLE_OF_LONG, _DOUBLE_OF_LONG = "46a020a0 cvt.s.l $f2,$f4", "46a020a1 cvt.d.l $f2,$f4"


def _software(
    name: str, rows: str, when: str, unicorn: str, known: str, listing: str, model: str = "R4000", **before: int
) -> Fault:
    """What the chip leaves to software, and Unicorn does by itself."""
    return Fault(
        name, Group.FLOATS, rows, when, unicorn, "unimplemented operation", "R4K p. 195-196, V5K p. 211-212",
        SOFTWARE, known, _TRAP, Probe(listing, before, _RESULT, model=model),
    )  # fmt: skip


def _flush(name: str, when: str, unicorn: str, known: str, right: str, **before: int) -> Fault:
    """A tiny result with FS set."""
    return Fault(
        name, Group.FLOATS, "arithmetic, cvt.s.d", when, unicorn,
        "flushed by rounding mode to 0 or the least normal number, U and I set", "V5K table 8-4, p. 208",
        NONE, known, right, Probe(_MUL, {"f6": _HALF, **before}, _RESULT),
    )  # fmt: skip


FLOATS: tuple[Fault, ...] = (
    _software("quiet-nan", "arithmetic", "an operand is a quiet NaN", "hands it on", f"f2={_QUIET:x} fcsr=0",
              _ADD, f4=_QUIET, f6=_ONE),
    _software("quiet-nan-widened", "cvt.d.s", "the operand is a quiet NaN", "shifts its fraction",
              "f2=7ff0000020000000 fcsr=0", _WIDEN, f4=_QUIET),
    _software("quiet-nan-narrowed", "cvt.s.d", "the operand is a quiet NaN with a low fraction", "makes it infinity",
              "f2=7f800000 fcsr=0", _NARROW, f4=0x7FF0_0000_0000_0001),
    _software("abs-quiet-nan", "abs.s abs.d", "the operand is a quiet NaN", "clears its sign",
              f"f2={_QUIET:x} fcsr=0", _ABS, f4=0xFF80_0001),
    _software("neg-denormal", "neg.s neg.d", "the operand is denormal", "turns its sign",
              "f2=80000001 fcsr=0", _NEG, f4=1),
    _software("word-above", "cvt.w round.w trunc.w ceil.w floor.w", "the result is above 2**31 - 1",
              "gives 7fffffff, invalid", "f2=7fffffff fcsr=10040", _TO_WORD, f4=0x4F00_0000),
    _software("word-below", "cvt.w round.w trunc.w ceil.w floor.w", "the result is below -2**31",
              "gives 7fffffff, invalid", "f2=7fffffff fcsr=10040", _TO_WORD, f4=0xCF00_0001),
    _software("word-nan", "cvt.w round.w trunc.w ceil.w floor.w", "the operand is a NaN", "gives 7fffffff, invalid",
              "f2=7fffffff fcsr=10040", _TO_WORD, f4=_QUIET),
    _software("long-above-53", "cvt.l round.l trunc.l ceil.l floor.l", "the result has more than 53 bits", "converts",
              "f2=20000000000000 fcsr=0", _TO_LONG, "VR5432", f4=0x4340_0000_0000_0000),
    _software("long-out-of-range", "cvt.l round.l trunc.l ceil.l floor.l", "the result has more than 64 bits",
              "gives 7fffffffffffffff, invalid", "f2=7fffffffffffffff fcsr=10040", _TO_LONG, "VR5432",
              f4=0x43E0_0000_0000_0000),
    _software("wide-long-to-single", "cvt.s.l", "bits 63 to 55 of the operand differ", "converts",
              "f2=5b000000 fcsr=0", _SINGLE_OF_LONG, "VR5432", f4=1 << 55),
    _software("wide-long-to-double", "cvt.d.l", "bits 63 to 55 of the operand differ", "converts",
              "f2=4360000000000000 fcsr=0", _DOUBLE_OF_LONG, "VR5432", f4=1 << 55),
    _software("denormal-operand", "arithmetic", "an operand is denormal", "computes with it", "f2=1 fcsr=0",
              _MUL, f4=1, f6=_ONE),
    _software("denormal-root", "sqrt.s sqrt.d", "the operand is denormal", "computes with it",
              "f2=1a3504f3 fcsr=1004", _SQRT, f4=1),
    _software("denormal-operand-flushed", "all arithmetic", "an operand is denormal, FS set", "computes with it",
              "f2=36a0000000000000 fcsr=1000000", _WIDEN, f4=1, fcsr=_FLUSH),
    _software("denormal-result", "arithmetic, cvt.s.d", "the result is denormal and exact, FS clear", "gives it",
              "f2=400000 fcsr=0", _MUL, f4=_LEAST_NORMAL, f6=_HALF),
    _software("underflow", "arithmetic, cvt.s.d", "the result is denormal and inexact, FS clear", "gives it",
              "f2=400000 fcsr=300c", _MUL, f4=_LEAST_NORMAL + 1, f6=_HALF),
    _flush("flush-up", "the result is tiny and positive, FS set, rounding up", "gives 0, no flag",
           "f2=0 fcsr=1000002", "f2=800000 fcsr=100300e", f4=_LEAST_NORMAL, fcsr=_FLUSH | _TO_PLUS),
    _flush("flush-down", "the result is tiny and negative, FS set, rounding down", "gives -0, no flag",
           "f2=80000000 fcsr=1000003", "f2=80800000 fcsr=100300f",
           f4=0x8000_0000 | _LEAST_NORMAL, fcsr=_FLUSH | _TO_MINUS),
    _flush("flush-flags", "the result is tiny, FS set", "raises no flag",
           "f2=0 fcsr=1000000", "f2=0 fcsr=100300c", f4=_LEAST_NORMAL, fcsr=_FLUSH),
    Fault(
        "abs-signalling-nan", Group.FLOATS, "abs.s abs.d", "the operand is a signalling NaN", "clears its sign",
        "invalid, a quiet NaN", "R4K p. 193", NONE, "f2=7fffffff fcsr=0", "f2=7fbfffff fcsr=10040",
        Probe(_ABS, {"f4": 0xFFFF_FFFF}, _RESULT),
    ),
    Fault(
        "neg-signalling-nan", Group.FLOATS, "neg.s neg.d", "the operand is a signalling NaN", "turns its sign",
        "invalid, a quiet NaN", "R4K p. 193", NONE, "f2=ffc00000 fcsr=0", "f2=7fbfffff fcsr=10040",
        Probe(_NEG, {"f4": _SIGNALLING}, _RESULT),
    ),
    Fault(
        "stale-cause", Group.FLOATS, "abs.s abs.d neg.s neg.d", "FCR31 holds a cause", "leaves it",
        "every arithmetic instruction writes all cause bits", "V5K p. 191",
        "the references are not held to the cause field", "f2=3f800000 fcsr=8000", "f2=3f800000 fcsr=0",
        Probe(_ABS, {"f4": 0xBF80_0000, "fcsr": 0x8000}, _RESULT),
    ),
    Fault(
        "odd-double", Group.FLOATS, "arithmetic of doubles", "FR = 0, the register number is odd",
        "reserved instruction", "the value is undefined", "R4K B-11", OPEN,
        "trap reserved-instruction", "f5=40000000",
        Probe("46231100 add.d $f4,$f2,$f3", {"f3": 0x3FF0_0000}, ("f5",), fr=False),
    ),
    Fault(
        "implementation-register", Group.FLOATS, "cfc1", "FCR0", "an identification of its own", "the chip's own",
        "V5K p. 188", "the reference refuses it: the state does not count", "v0=500", "trap refused",
        Probe("44420000 cfc1 v0,c1_fir"),
    ),
    Fault(
        "reserved-control-registers", Group.FLOATS, "cfc1", "FCR1 to FCR30", "gives 0", "reserved", "V5K p. 188",
        "the reference refuses them: the state does not count", "v0=0", "trap refused",
        Probe("44420800 cfc1 v0,$1"),
    ),
    Fault(
        "vr-fcsr-bits", Group.FLOATS, "ctc1", "bits 31 to 25, with the VR5432 model", "keeps them",
        "0: FCR31 has one condition bit", "V5K p. 188", "only programs that convert 64-bit integers run on that model",
        "v0=fffffffffe000000", "v0=0",
        Probe("44c4f800 ctc1 a0,c1_fcsr; 4442f800 cfc1 v0,c1_fcsr", {"a0": 0xFFFF_FFFF_FE00_0000}, model="VR5432"),
    ),
    Fault(
        "fcsr-write", Group.FLOATS, "", "FCR31 is written from outside, a cause with its enable", "raises, writes none",
        "keeps any value", "UC", "states hold no such value", "raises UC_ERR_EXCEPTION", "keeps the value",
    ),
    Fault(
        "paired-cells", Group.FLOATS, "", "FR = 0, registers are read from outside", "64-bit cells, unpaired",
        "a double is a pair of registers", "UC", "the leg puts pairs together itself", "low word alone", "pair",
    ),
)  # fmt: skip
