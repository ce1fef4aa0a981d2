"""Conformance cases: loads and stores, byte order, extension, aliases."""

from __future__ import annotations

from conformance_model import CODE, DATA, FIXED, KSEG1, RETURN, Call, Case, case

MEMORY: tuple[Case, ...] = (
    case(
        "lb takes its bytes in order and extends them",
        Call("80820000 lb v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xFFFF_FFFF_FFFF_FF80}),
    ),
    case(
        "lbu takes its bytes in order and extends them",
        Call("90820003 lbu v0,3(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xB3}),
    ),
    case(
        "lh takes its bytes in order and extends them",
        Call("84820002 lh v0,2(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xFFFF_FFFF_FFFF_A2B3}),
    ),
    case(
        "lhu takes its bytes in order and extends them",
        Call("94820000 lhu v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0x8091}),
    ),
    case(
        "lw takes its bytes in order and extends them",
        Call("8c820004 lw v0,4(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xFFFF_FFFF_C4D5_E6F7}),
    ),
    case(
        "lwu takes its bytes in order and extends them",
        Call("9c820004 lwu v0,4(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xC4D5_E6F7}),
    ),
    case(
        "ld takes its bytes in order and extends them",
        Call("dc820000 ld v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0x8091_A2B3_C4D5_E6F7}),
    ),
    case(
        "sb stores the low bytes in order",
        Call(
            "a0850005 sb a1,5(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0102_0304_0506_0708},
            after={},
            stores={5: "08"},
        ),
    ),
    case(
        "sh stores the low bytes in order",
        Call(
            "a4850006 sh a1,6(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0102_0304_0506_0708},
            after={},
            stores={6: "0708"},
        ),
    ),
    case(
        "sw stores the low bytes in order",
        Call(
            "ac850004 sw a1,4(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0102_0304_0506_0708},
            after={},
            stores={4: "05060708"},
        ),
    ),
    case(
        "sd stores the low bytes in order",
        Call(
            "fc850008 sd a1,8(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0102_0304_0506_0708},
            after={},
            stores={8: "0102030405060708"},
        ),
    ),
    case(
        "a store with a negative offset reaches below its base",
        Call("a085ffff sb a1,-1(a0)" + RETURN, before={"a0": DATA + 4, "a1": 0xAA}, after={}, stores={3: "aa"}),
    ),
    case(
        "lwl and lwr together load an unaligned word",
        Call(
            "88820001 lwl v0,1(a0); 98820004 lwr v0,4(a0)" + RETURN,
            before={"a0": DATA},
            after={"v0": 0xFFFF_FFFF_91A2_B3C4},
        ),
    ),
    case(
        "ldl and ldr together load an unaligned doubleword",
        Call(
            "68820003 ldl v0,3(a0); 6c82000a ldr v0,10(a0)" + RETURN,
            before={"a0": DATA},
            after={"v0": 0xB3C4_D5E6_F708_192A},
        ),
    ),
    case(
        "lwl keeps the low bytes of its register",
        Call(
            "88820003 lwl v0,3(a0)" + RETURN,
            before={"a0": DATA, "v0": 0x1122_3344},
            after={"v0": 0xFFFF_FFFF_B322_3344},
        ),
    ),
    case(
        "ldr keeps the high bytes of its register",
        Call(
            "6c820001 ldr v0,1(a0)" + RETURN,
            before={"a0": DATA, "v0": 0x1122_3344_5566_7788},
            after={"v0": 0x1122_3344_5566_8091},
        ),
    ),
    case(
        "swl and swr together store an unaligned word",
        Call(
            "a8850001 swl a1,1(a0); b8850004 swr a1,4(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0506_0708},
            after={},
            stores={1: "05060708"},
        ),
    ),
    case(
        "sdl and sdr together store an unaligned doubleword",
        Call(
            "b0850003 sdl a1,3(a0); b485000a sdr a1,10(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0102_0304_0506_0708},
            after={},
            stores={3: "0102030405060708"},
        ),
    ),
    case(
        "a store is seen by a narrower load",
        Call(
            "ac850008 sw a1,8(a0); 90820009 lbu v0,9(a0)" + RETURN,
            before={"a0": DATA, "a1": 0x0506_0708},
            after={"v0": 6},
            stores={8: "05060708"},
        ),
    ),
    case(
        "kseg1 leads to the same bytes as kseg0",
        Call(
            "ac850008 sw a1,8(a0); 8cc20008 lw v0,8(a2)" + RETURN,
            before={"a0": DATA + KSEG1, "a1": 0x0506_0708, "a2": DATA},
            after={"v0": 0x0506_0708},
            stores={8: "05060708"},
        ),
    ),
    case(
        "read-only memory can be read",
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": FIXED}, after={"v0": 0xFFFF_FFFF_8091_A2B3}),
    ),
    case(
        "code can be read as data",
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": CODE}, after={"v0": 0xFFFF_FFFF_8C82_0000}),
    ),
    case(
        "code need not be part of the state",
        Call(
            "8c820000 lw v0,0(a0)" + RETURN,
            before={"a0": CODE},
            after={"v0": 0xFFFF_FFFF_8C82_0000},
            code_in_state=False,
        ),
    ),
    case(
        "ll and sc in a row store and say so",
        Call(
            "c0820004 ll v0,4(a0); 24430001 addiu v1,v0,1; e0830004 sc v1,4(a0)" + RETURN,
            before={"a0": DATA},
            after={"v0": 0xFFFF_FFFF_C4D5_E6F7, "v1": 1},
            stores={4: "c4d5e6f8"},
        ),
    ),
    case(
        "sc without ll stores nothing",
        Call("e0830004 sc v1,4(a0)" + RETURN, before={"a0": DATA}, after={"v1": 0}),
    ),
    case(
        "cache and sync change nothing",
        Call("bc910000 cache 0x11,0(a0); 0000000f sync" + RETURN, before={"a0": DATA}, after={}),
    ),
)
