"""Conformance cases: integer instructions, delay slots and links."""

from __future__ import annotations

from conformance_model import CODE, DATA, RETURN, RETURN_ADDRESS, Call, Case, case

INTEGER: tuple[Case, ...] = (
    # The zero register, delay slots and links.
    case(
        "the zero register reads as zero after a write",
        Call("24800005 addiu zero,a0,5; 00001025 or v0,zero,zero" + RETURN, before={"a0": 7}, after={"v0": 0}),
    ),
    case(
        "a load to the zero register changes nothing",
        Call("8c800000 lw zero,0(a0); 00001025 or v0,zero,zero" + RETURN, before={"a0": DATA}, after={"v0": 0}),
    ),
    case(
        "a delay slot runs before the target of its branch",
        Call(
            "10000002 beq zero,zero,0xffffffff8000100c; 24020001 addiu v0,zero,1; "
            "24020063 addiu v0,zero,99; 03e00008 jr ra; 24430001 addiu v1,v0,1",
            after={"v0": 1, "v1": 2},
        ),
    ),
    case(
        "the slot of a branch that is not taken runs once",
        Call(
            "14000002 bne zero,zero,0xffffffff8000100c; 24420001 addiu v0,v0,1; 24430001 addiu v1,v0,1" + RETURN,
            before={"v0": 1},
            after={"v0": 2, "v1": 3},
        ),
    ),
    case(
        "a branch decides before its slot changes the operand",
        Call(
            "10800002 beq a0,zero,0xffffffff8000100c; 24840001 addiu a0,a0,1; 24020063 addiu v0,zero,99" + RETURN,
            before={"a0": 0},
            after={"a0": 1},
        ),
    ),
    case(
        "a load in a delay slot happens once",
        Call(
            "10000002 beq zero,zero,0xffffffff8000100c; 8c820000 lw v0,0(a0); "
            "24030063 addiu v1,zero,99; 24a50001 addiu a1,a1,1; 03e00008 jr ra; ac850008 sw a1,8(a0)",
            before={"a0": DATA, "a1": 1},
            after={"v0": 0xFFFF_FFFF_8091_A2B3, "a1": 2},
            stores={8: "00000002"},
        ),
    ),
    case(
        "a likely branch that is taken runs its slot",
        Call(
            "50800002 beql a0,zero,0xffffffff8000100c; 24020001 addiu v0,zero,1; 24030063 addiu v1,zero,99" + RETURN,
            before={"a0": 0},
            after={"v0": 1},
        ),
    ),
    case(
        "a likely branch that is not taken skips its slot",
        Call(
            "50800002 beql a0,zero,0xffffffff8000100c; 24020001 addiu v0,zero,1; 24030002 addiu v1,zero,2" + RETURN,
            before={"a0": 1},
            after={"v1": 2},
        ),
    ),
    case(
        "branches compare all 64 bits",
        Call(
            "10850002 beq a0,a1,0xffffffff8000100c; 00000000 sll zero,zero,0x0; 24020001 addiu v0,zero,1" + RETURN,
            before={"a0": 0x1_0000_0005, "a1": 5},
            after={"v0": 1},
        ),
    ),
    case(
        "a loop runs as often as it says",
        Call(
            "00001025 or v0,zero,zero; 2484ffff addiu a0,a0,-1; 1c80fffe bgtz a0,0xffffffff80001004; "
            "24420003 addiu v0,v0,3" + RETURN,
            before={"a0": 10},
            after={"a0": 0, "v0": 30},
        ),
    ),
    case(
        "a branch and link writes its link though it is not taken",
        Call(
            "03e04025 or t0,ra,zero; 04900002 bltzal a0,0xffffffff80001010; "
            "00000000 sll zero,zero,0x0; 03e01025 or v0,ra,zero; 01000008 jr t0; "
            "0100f825 or ra,t0,zero",
            before={"a0": 1},
            after={"t0": RETURN_ADDRESS, "v0": CODE + 12},
        ),
    ),
    case(
        "a call returns behind its slot",
        Call(
            "03e04025 or t0,ra,zero; 0c000406 jal 0xffffffff80001018; 24020001 addiu v0,zero,1; "
            "0100f825 or ra,t0,zero; 03e00008 jr ra; 24420004 addiu v0,v0,4; 03e00008 jr ra; "
            "24420002 addiu v0,v0,2",
            after={"t0": RETURN_ADDRESS, "v0": 7},
        ),
    ),
    case(
        "a register jump reaches its target and links",
        Call(
            "00804809 jalr t1,a0; 00000000 sll zero,zero,0x0; 24020063 addiu v0,zero,99; "
            "03e00008 jr ra; 24020005 addiu v0,zero,5",
            before={"a0": CODE + 12},
            after={"t1": CODE + 8, "v0": 5},
        ),
    ),
    # 32-bit results are sign-extended, from either side of the boundary.
    case(
        "addu gives a sign-extended word",
        Call(
            "00851021 addu v0,a0,a1" + RETURN, before={"a0": 0x7FFF_FFFF, "a1": 1}, after={"v0": 0xFFFF_FFFF_8000_0000}
        ),
    ),
    case(
        "addu across zero gives a sign-extended word",
        Call("00851021 addu v0,a0,a1" + RETURN, before={"a0": 0xFFFF_FFFF_FFFF_FFFF, "a1": 2}, after={"v0": 1}),
    ),
    case(
        "addiu gives a sign-extended word",
        Call(
            "24820001 addiu v0,a0,1" + RETURN, before={"a0": 0x7FFF_FFFF, "a1": 0}, after={"v0": 0xFFFF_FFFF_8000_0000}
        ),
    ),
    case(
        "subu gives a sign-extended word",
        Call(
            "00851023 subu v0,a0,a1" + RETURN, before={"a0": 0xFFFF_FFFF_8000_0000, "a1": 1}, after={"v0": 0x7FFF_FFFF}
        ),
    ),
    case(
        "lui gives a sign-extended word",
        Call("3c028000 lui v0,0x8000" + RETURN, before={"a0": 0, "a1": 0}, after={"v0": 0xFFFF_FFFF_8000_0000}),
    ),
    case(
        "sll gives a sign-extended word",
        Call("000417c0 sll v0,a0,0x1f" + RETURN, before={"a0": 1, "a1": 0}, after={"v0": 0xFFFF_FFFF_8000_0000}),
    ),
    case(
        "sll by nothing makes a word of a wider value",
        Call(
            "00041000 sll v0,a0,0x0" + RETURN, before={"a0": 0x1234_5678_9ABC_DEF0}, after={"v0": 0xFFFF_FFFF_9ABC_DEF0}
        ),
    ),
    case(
        "srl gives a sign-extended word",
        Call(
            "00041042 srl v0,a0,0x1" + RETURN, before={"a0": 0xFFFF_FFFF_8000_0000, "a1": 0}, after={"v0": 0x4000_0000}
        ),
    ),
    case(
        "srl by nothing gives a sign-extended word",
        Call(
            "00041002 srl v0,a0,0x0" + RETURN,
            before={"a0": 0xFFFF_FFFF_8000_0000, "a1": 0},
            after={"v0": 0xFFFF_FFFF_8000_0000},
        ),
    ),
    case(
        "sra gives a sign-extended word",
        Call(
            "00041103 sra v0,a0,0x4" + RETURN,
            before={"a0": 0xFFFF_FFFF_8000_0000, "a1": 0},
            after={"v0": 0xFFFF_FFFF_F800_0000},
        ),
    ),
    case(
        "sllv by 33 gives a sign-extended word",
        Call(
            "00a41004 sllv v0,a0,a1" + RETURN, before={"a0": 0x4000_0000, "a1": 33}, after={"v0": 0xFFFF_FFFF_8000_0000}
        ),
    ),
    case(
        "srlv gives a sign-extended word",
        Call(
            "00a41006 srlv v0,a0,a1" + RETURN, before={"a0": 0xFFFF_FFFF_8000_0000, "a1": 4}, after={"v0": 0x0800_0000}
        ),
    ),
    case(
        "srav gives a sign-extended word",
        Call(
            "00a41007 srav v0,a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_8000_0000, "a1": 31},
            after={"v0": 0xFFFF_FFFF_FFFF_FFFF},
        ),
    ),
    case(
        "mult gives both words of the signed product sign-extended",
        Call(
            "00850018 mult a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_FFFF_FFFE, "a1": 0x4000_0000},
            after={"hi": 0xFFFF_FFFF_FFFF_FFFF, "lo": 0xFFFF_FFFF_8000_0000},
        ),
    ),
    case(
        "multu gives both words of the unsigned product sign-extended",
        Call(
            "00850019 multu a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_FFFF_FFFF, "a1": 0xFFFF_FFFF_FFFF_FFFF},
            after={"hi": 0xFFFF_FFFF_FFFF_FFFE, "lo": 1},
        ),
    ),
    case(
        "div truncates and its remainder has the sign of the dividend",
        Call(
            "0085001a div zero,a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_FFFF_FFF9, "a1": 2},
            after={"hi": 0xFFFF_FFFF_FFFF_FFFF, "lo": 0xFFFF_FFFF_FFFF_FFFD},
        ),
    ),
    case(
        "divu takes its operands as unsigned words",
        Call(
            "0085001b divu zero,a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_FFFF_FFF9, "a1": 2},
            after={"hi": 1, "lo": 0x7FFF_FFFC},
        ),
    ),
    case(
        "mthi and mflo move all 64 bits",
        Call(
            "00800011 mthi a0; 00001012 mflo v0" + RETURN,
            before={"a0": 0x8123_4567_89AB_CDEF, "lo": 0xFEDC_BA98_7654_3210},
            after={"hi": 0x8123_4567_89AB_CDEF, "v0": 0xFEDC_BA98_7654_3210},
        ),
    ),
    case(
        "dmult gives all 128 bits",
        Call(
            "0085001c dmult a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_FFFF_FFFE, "a1": 0x4000_0000_0000_0000},
            after={"hi": 0xFFFF_FFFF_FFFF_FFFF, "lo": 0x8000_0000_0000_0000},
        ),
    ),
    case(
        "daddu wraps at 64 bits",
        Call("0085102d daddu v0,a0,a1" + RETURN, before={"a0": 0xFFFF_FFFF_FFFF_FFFF, "a1": 2}, after={"v0": 1}),
    ),
    case(
        "dsll32 and dsra32 shift by more than 31",
        Call(
            "0004123c dsll32 v0,a0,0x8; 00021a3f dsra32 v1,v0,0x8" + RETURN,
            before={"a0": 0x0080_0000},
            after={"v0": 0x8000_0000_0000_0000, "v1": 0xFFFF_FFFF_FF80_0000},
        ),
    ),
    case(
        "slt compares signed and sltu unsigned",
        Call(
            "0085102a slt v0,a0,a1; 0085182b sltu v1,a0,a1" + RETURN,
            before={"a0": 0xFFFF_FFFF_FFFF_FFFF, "a1": 1},
            after={"v0": 1, "v1": 0},
        ),
    ),
)
