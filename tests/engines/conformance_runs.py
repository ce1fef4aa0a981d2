"""Conformance cases: fuel, and what one run must not leave to the next."""

from __future__ import annotations

from conformance_model import CODE, DATA, NOWHERE, RETURN, Call, Case, StopKind, case

FUEL: tuple[Case, ...] = (
    case(
        "an endless loop uses up its fuel",
        Call(
            "1000ffff beq zero,zero,0xffffffff80001000; 24420001 addiu v0,v0,1",
            after=None,
            stop=StopKind.FUEL,
            fuel=1000,
        ),
    ),
    case(
        "a loop that fits its fuel returns",
        Call(
            "1c80ffff bgtz a0,0xffffffff80001000; 2484ffff addiu a0,a0,-1" + RETURN,
            before={"a0": 400},
            after={"a0": 0xFFFF_FFFF_FFFF_FFFF},
            fuel=1000,
        ),
    ),
    case(
        "a loop that does not fit its fuel is stopped",
        Call(
            "1c80ffff bgtz a0,0xffffffff80001000; 2484ffff addiu a0,a0,-1" + RETURN,
            before={"a0": 4000},
            after=None,
            stop=StopKind.FUEL,
            fuel=1000,
        ),
    ),
)

REUSE: tuple[Case, ...] = (
    case(
        "running twice gives the same",
        Call(
            "8c820000 lw v0,0(a0); 24420001 addiu v0,v0,1; ac820000 sw v0,0(a0)" + RETURN,
            before={"a0": DATA},
            after={"v0": 0xFFFF_FFFF_8091_A2B4},
            stores={3: "b4"},
        ),
        Call(
            "8c820000 lw v0,0(a0); 24420001 addiu v0,v0,1; ac820000 sw v0,0(a0)" + RETURN,
            before={"a0": DATA},
            after={"v0": 0xFFFF_FFFF_8091_A2B4},
            stores={3: "b4"},
        ),
    ),
    case(
        "registers do not leak into the next run",
        Call(
            "00800011 mthi a0; 00800013 mtlo a0; 44841800 mtc1 a0,$f3; 44c4f800 ctc1 a0,c1_fcsr; "
            "00801025 or v0,a0,zero" + RETURN,
            before={"a0": 3},
            after={"hi": 3, "lo": 3, "f3": 3, "fcsr": 3, "v0": 3},
            upper_open=frozenset({"f3"}),
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
    case(
        "stores do not leak into the next run",
        Call(
            "fca40000 sd a0,0(a1); fca40010 sd a0,16(a1)" + RETURN,
            before={"a0": 0x0102_0304_0506_0708, "a1": DATA},
            stores={0: "0102030405060708", 16: "0102030405060708"},
        ),
        Call(
            "dca20000 ld v0,0(a1); dca30010 ld v1,16(a1)" + RETURN,
            before={"a1": DATA},
            after={"v0": 0x8091_A2B3_C4D5_E6F7, "v1": 0},
        ),
    ),
    case(
        "a link does not leak into the next run",
        Call("c0820000 ll v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xFFFF_FFFF_8091_A2B3}),
        Call("e0820000 sc v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0}),
    ),
    case(
        "memory that a state does not declare is gone",
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xFFFF_FFFF_8091_A2B3}),
        Call(
            "8c820000 lw v0,0(a0)" + RETURN, before={"a0": DATA}, stop=StopKind.TRAP, trap="tlb-load", data_mapped=False
        ),
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0}, data=b""),
    ),
    case(
        "memory is as writable as the state says",
        Call("ac800000 sw zero,0(a0)" + RETURN, before={"a0": DATA}, stores={0: "00000000"}),
        Call(
            "ac800000 sw zero,0(a0)" + RETURN,
            before={"a0": DATA},
            stop=StopKind.TRAP,
            trap="tlb-store",
            data_writable=False,
        ),
        Call("ac800000 sw zero,0(a0)" + RETURN, before={"a0": DATA}, stores={0: "00000000"}),
    ),
    case(
        "memory holds what the state says",
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0xFFFF_FFFF_8091_A2B3}),
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": DATA}, after={"v0": 0x0102_0304}, data=bytes((1, 2, 3, 4))),
        Call(
            "8c820000 lw v0,0(a0)" + RETURN,
            before={"a0": DATA},
            after={"v0": 0x0506_0708},
            data=bytes((5, 6, 7, 8)),
            data_writable=False,
        ),
    ),
    case(
        "other code at the same address is other code",
        Call("24020001 addiu v0,zero,1" + RETURN, after={"v0": 1}),
        Call("24020002 addiu v0,zero,2" + RETURN, after={"v0": 2}),
        Call("24020001 addiu v0,zero,1" + RETURN, after={"v0": 1}),
    ),
    case(
        "the fr bit does not leak into the next run",
        Call(
            "46262080 add.d $f2,$f4,$f6" + RETURN,
            before={"f4": 0, "f5": 0x3FF0_0000, "f6": 0, "f7": 0x4000_0000},
            after={"f2": 0, "f3": 0x4008_0000},
            fr=False,
        ),
        Call(
            "46262080 add.d $f2,$f4,$f6" + RETURN,
            before={"f4": 0x3FF0_0000_0000_0000, "f6": 0x4000_0000_0000_0000},
            after={"f2": 0x4008_0000_0000_0000},
        ),
    ),
    case(
        "a run after a wild jump is as any other",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": NOWHERE},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
    case(
        "a run after a branch out of the code is as any other",
        Call(
            "1000ffbf beq zero,zero,0xffffffff80000f00; 00000000 sll zero,zero,0x0",
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
    case(
        "a run after a misaligned jump is as any other",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": CODE + 2},
            after=None,
            stop=StopKind.TRAP,
            trap="address-error-fetch",
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
    case(
        "a run after a trap in a delay slot is as any other",
        Call(
            "10000002 beq zero,zero,0xffffffff8000100c; 8c820000 lw v0,0(a0); "
            "00000000 sll zero,zero,0x0; 00000000 sll zero,zero,0x0" + RETURN,
            before={"a0": NOWHERE},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-load",
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
    case(
        "a run after an overflow in a delay slot is as any other",
        Call(
            "10000002 beq zero,zero,0xffffffff8000100c; 00841020 add v0,a0,a0; "
            "00000000 sll zero,zero,0x0; 00000000 sll zero,zero,0x0" + RETURN,
            before={"a0": 0x7FFF_FFFF},
            after=None,
            stop=StopKind.TRAP,
            trap="overflow",
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
    case(
        "a run after an endless loop is as any other",
        Call(
            "1000ffff beq zero,zero,0xffffffff80001000; 00000000 sll zero,zero,0x0",
            after=None,
            stop=StopKind.FUEL,
            fuel=1000,
        ),
        Call("24820001 addiu v0,a0,1" + RETURN, before={"a0": 1}, after={"v0": 2}),
    ),
)
