"""Conformance cases: floating point in both settings of the FR bit."""

from __future__ import annotations

from conformance_model import DATA, RETURN, Call, Case, case

FLOAT: tuple[Case, ...] = (
    # FR=1: 32 registers of 64 bits.
    case(
        "add.s adds the low words with fr set",
        Call(
            "46062080 add.s $f2,$f4,$f6" + RETURN,
            before={"f4": 0x3F80_0000, "f6": 0x4000_0000},
            after={"f2": 0x4040_0000},
            upper_open=frozenset({"f2"}),
        ),
    ),
    case(
        "add.d works on odd registers with fr set",
        Call(
            "46251840 add.d $f1,$f3,$f5" + RETURN,
            before={"f3": 0x3FF0_0000_0000_0000, "f5": 0x4000_0000_0000_0000},
            after={"f1": 0x4008_0000_0000_0000},
        ),
    ),
    case(
        "ldc1 and sdc1 move 64 bits with fr set",
        Call(
            "d4830000 ldc1 $f3,0(a0); f4830008 sdc1 $f3,8(a0)" + RETURN,
            before={"a0": DATA},
            after={"f3": 0x8091_A2B3_C4D5_E6F7},
            stores={8: "8091a2b3c4d5e6f7"},
        ),
    ),
    case(
        "dmtc1 and dmfc1 move 64 bits with fr set",
        Call(
            "44a41800 dmtc1 a0,$f3; 44221800 dmfc1 v0,$f3" + RETURN,
            before={"a0": 0x8091_A2B3_C4D5_E6F7},
            after={"f3": 0x8091_A2B3_C4D5_E6F7, "v0": 0x8091_A2B3_C4D5_E6F7},
        ),
    ),
    case(
        "trunc.l.d and cvt.d.l convert 64-bit integers with fr set",
        Call(
            "46202089 trunc.l.d $f2,$f4; 46a041a1 cvt.d.l $f6,$f8" + RETURN,
            before={"f4": 0xC014_0000_0000_0000, "f8": 0x1_0000_0001},
            after={"f2": 0xFFFF_FFFF_FFFF_FFFB, "f6": 0x41F0_0000_0010_0000},
        ),
    ),
    # FR=0: 32 registers of 32 bits, a double in an even-odd pair with its high word in the odd one.
    case(
        "add.s adds single registers with fr clear",
        Call(
            "46062080 add.s $f2,$f4,$f6" + RETURN,
            before={"f4": 0x3F80_0000, "f6": 0x4000_0000},
            after={"f2": 0x4040_0000},
            fr=False,
        ),
    ),
    case(
        "add.d adds pairs with fr clear",
        Call(
            "46262080 add.d $f2,$f4,$f6" + RETURN,
            before={"f4": 0, "f5": 0x3FF0_0000, "f6": 0, "f7": 0x4000_0000},
            after={"f2": 0, "f3": 0x4008_0000},
            fr=False,
        ),
    ),
    case(
        "ldc1 puts the word at the lower address into the odd register",
        Call(
            "d4820000 ldc1 $f2,0(a0)" + RETURN,
            before={"a0": DATA},
            after={"f3": 0x8091_A2B3, "f2": 0xC4D5_E6F7},
            fr=False,
        ),
    ),
    case(
        "sdc1 stores the odd register first",
        Call(
            "f4820008 sdc1 $f2,8(a0)" + RETURN,
            before={"a0": DATA, "f3": 0x0102_0304, "f2": 0x0506_0708},
            after={},
            fr=False,
            stores={8: "0102030405060708"},
        ),
    ),
    case(
        "mtc1 to an odd register sets the high word of the double",
        Call(
            "44841800 mtc1 a0,$f3; 46261100 add.d $f4,$f2,$f6" + RETURN,
            before={"a0": 0x3FF0_0000, "f2": 0, "f6": 0, "f7": 0x4000_0000},
            after={"f3": 0x3FF0_0000, "f4": 0, "f5": 0x4008_0000},
            fr=False,
        ),
    ),
    case(
        "lwc1 and swc1 move the odd word with fr clear",
        Call(
            "c4830000 lwc1 $f3,0(a0); e4830008 swc1 $f3,8(a0)" + RETURN,
            before={"a0": DATA},
            after={"f3": 0x8091_A2B3},
            fr=False,
            stores={8: "8091a2b3"},
        ),
    ),
    # Both.
    case(
        "mfc1 sign-extends the low word with fr set",
        Call("44021000 mfc1 v0,$f2" + RETURN, before={"f2": 0x8123_4567}, after={"v0": 0xFFFF_FFFF_8123_4567}, fr=True),
    ),
    case(
        "a compare sets the condition that bc1t takes with fr set",
        Call(
            "4604103c c.lt.s $f2,$f4; 45010002 bc1t 0xffffffff80001010; 00000000 sll zero,zero,0x0; "
            "24020063 addiu v0,zero,99" + RETURN,
            before={"f2": 0x3F80_0000, "f4": 0x4000_0000},
            after={"fcsr": 0x0080_0000},
            fr=True,
        ),
    ),
    case(
        "the rounding mode of fcsr counts with fr set",
        Call(
            "46062080 add.s $f2,$f4,$f6" + RETURN,
            before={"fcsr": 2, "f4": 0x3F80_0000, "f6": 0x3300_0000},
            after={"f2": 0x3F80_0001, "fcsr": 0x1006},
            fr=True,
            upper_open=frozenset({"f2"}),
        ),
    ),
    case(
        "cvt.w.s rounds to even with fr set",
        Call(
            "460020a4 cvt.w.s $f2,$f4" + RETURN,
            before={"f4": 0x4020_0000},
            after={"f2": 2, "fcsr": 0x1004},
            fr=True,
            upper_open=frozenset({"f2"}),
        ),
    ),
    case(
        "mfc1 sign-extends the low word with fr clear",
        Call(
            "44021000 mfc1 v0,$f2" + RETURN, before={"f2": 0x8123_4567}, after={"v0": 0xFFFF_FFFF_8123_4567}, fr=False
        ),
    ),
    case(
        "a compare sets the condition that bc1t takes with fr clear",
        Call(
            "4604103c c.lt.s $f2,$f4; 45010002 bc1t 0xffffffff80001010; 00000000 sll zero,zero,0x0; "
            "24020063 addiu v0,zero,99" + RETURN,
            before={"f2": 0x3F80_0000, "f4": 0x4000_0000},
            after={"fcsr": 0x0080_0000},
            fr=False,
        ),
    ),
    case(
        "the rounding mode of fcsr counts with fr clear",
        Call(
            "46062080 add.s $f2,$f4,$f6" + RETURN,
            before={"fcsr": 2, "f4": 0x3F80_0000, "f6": 0x3300_0000},
            after={"f2": 0x3F80_0001, "fcsr": 0x1006},
            fr=False,
        ),
    ),
    case(
        "cvt.w.s rounds to even with fr clear",
        Call(
            "460020a4 cvt.w.s $f2,$f4" + RETURN, before={"f4": 0x4020_0000}, after={"f2": 2, "fcsr": 0x1004}, fr=False
        ),
    ),
    case(
        "ctc1 and cfc1 move fcsr",
        Call(
            "44c4f800 ctc1 a0,c1_fcsr; 4442f800 cfc1 v0,c1_fcsr" + RETURN,
            before={"a0": 0x0100_0F83},
            after={"fcsr": 0x0100_0F83, "v0": 0x0100_0F83},
        ),
    ),
)
