"""Conformance cases: exceptions of the processor, and control that leaves the code."""

from __future__ import annotations

from conformance_model import CODE, DATA, FIXED, NOWHERE, RETURN, Call, Case, StopKind, case

TRAPS: tuple[Case, ...] = (
    # Exceptions of the processor: named, and nothing that the instruction would have written is written.
    case(
        "add traps on overflow and keeps its destination",
        Call(
            "00851020 add v0,a0,a1" + RETURN,
            before={"a0": 0x7FFF_FFFF, "a1": 1},
            after={},
            stop=StopKind.TRAP,
            trap="overflow",
        ),
    ),
    case(
        "addi traps on overflow",
        Call(
            "2082ffff addi v0,a0,-1" + RETURN,
            before={"a0": 0xFFFF_FFFF_8000_0000},
            after={},
            stop=StopKind.TRAP,
            trap="overflow",
        ),
    ),
    case(
        "dsub traps on overflow of 64 bits",
        Call(
            "0085102e dsub v0,a0,a1" + RETURN,
            before={"a0": 0x8000_0000_0000_0000, "a1": 1},
            after={},
            stop=StopKind.TRAP,
            trap="overflow",
        ),
    ),
    case(
        "an overflow traps though its destination is zero",
        Call(
            "00850020 add zero,a0,a1" + RETURN,
            before={"a0": 0x7FFF_FFFF, "a1": 1},
            after={},
            stop=StopKind.TRAP,
            trap="overflow",
        ),
    ),
    case(
        "teq traps where its operands are equal",
        Call("00850034 teq a0,a1" + RETURN, before={"a0": 7, "a1": 7}, after={}, stop=StopKind.TRAP, trap="trap"),
    ),
    case(
        "teq goes on where its operands differ",
        Call("00850034 teq a0,a1" + RETURN, before={"a0": 7, "a1": 8}),
    ),
    case(
        "syscall traps",
        Call("0000000c syscall" + RETURN, before={}, after={}, stop=StopKind.TRAP, trap="syscall"),
    ),
    case(
        "break traps",
        Call("0007000d break 0x7" + RETURN, before={}, after={}, stop=StopKind.TRAP, trap="break"),
    ),
    case(
        "what ran before a trap stays",
        Call(
            "24020001 addiu v0,zero,1; ac820008 sw v0,8(a0); 0000000d break; 24020002 addiu v0,zero,2" + RETURN,
            before={"a0": DATA},
            after={"v0": 1},
            stop=StopKind.TRAP,
            trap="break",
            stores={8: "00000001"},
        ),
    ),
    case(
        "a word load from an odd address is an address error",
        Call(
            "8c820001 lw v0,1(a0)" + RETURN,
            before={"a0": DATA},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-load",
        ),
    ),
    case(
        "a doubleword load from half a doubleword is an address error",
        Call(
            "dc820004 ld v0,4(a0)" + RETURN,
            before={"a0": DATA},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-load",
        ),
    ),
    case(
        "a halfword store to an odd address is an address error",
        Call(
            "a4820001 sh v0,1(a0)" + RETURN,
            before={"a0": DATA},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-store",
        ),
    ),
    case(
        "ll from a misaligned address is an address error",
        Call(
            "c0820002 ll v0,2(a0)" + RETURN,
            before={"a0": DATA},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-load",
        ),
    ),
    case(
        "sc to a misaligned address is an address error",
        Call(
            "e0820002 sc v0,2(a0)" + RETURN,
            before={"a0": DATA},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-store",
        ),
    ),
    case(
        "sc without ll to where nothing is mapped traps all the same",
        Call("e0820000 sc v0,0(a0)" + RETURN, before={"a0": NOWHERE}, after={}, stop=StopKind.TRAP, trap="tlb-store"),
    ),
    case(
        "an unaligned store to where nothing is mapped stops there",
        Call(
            "b8820002 swr v0,2(a0); 24020063 addiu v0,zero,99" + RETURN,
            before={"a0": NOWHERE},
            after={},
            stop=StopKind.TRAP,
            trap="tlb-store",
        ),
    ),
    case(
        "sc without ll to read-only memory traps all the same",
        Call("e0820000 sc v0,0(a0)" + RETURN, before={"a0": FIXED}, after={}, stop=StopKind.TRAP, trap="tlb-store"),
    ),
    case(
        "an unaligned store to read-only memory stops there",
        Call(
            "b8820002 swr v0,2(a0); 24020063 addiu v0,zero,99" + RETURN,
            before={"a0": FIXED},
            after={},
            stop=StopKind.TRAP,
            trap="tlb-store",
        ),
    ),
    case(
        "sc without ll to an address that is not sign-extended traps all the same",
        Call(
            "e0820000 sc v0,0(a0)" + RETURN,
            before={"a0": DATA % 2**32},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-store",
        ),
    ),
    case(
        "a trap in a delay slot stops before the slot",
        Call(
            "10000002 beq zero,zero,0xffffffff8000100c; e0820002 sc v0,2(a0); 00000000 sll zero,zero,0x0" + RETURN,
            before={"a0": DATA},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-store",
        ),
    ),
    case(
        "a store that is skipped with its slot does not trap",
        Call(
            "50800002 beql a0,zero,0xffffffff8000100c; a8a20000 swl v0,0(a1); 24030005 addiu v1,zero,5" + RETURN,
            before={"a0": 1, "a1": NOWHERE},
            after={"v1": 5},
        ),
    ),
    case(
        "an address that is not sign-extended is an address error",
        Call(
            "8c820000 lw v0,0(a0)" + RETURN,
            before={"a0": DATA % 2**32},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-load",
        ),
    ),
    case(
        "a store to an address that is not sign-extended is an address error",
        Call(
            "ac820000 sw v0,0(a0)" + RETURN,
            before={"a0": DATA % 2**32},
            after={},
            stop=StopKind.TRAP,
            trap="address-error-store",
        ),
    ),
    case(
        "a load from where nothing is mapped traps",
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": NOWHERE}, after={}, stop=StopKind.TRAP, trap="tlb-load"),
    ),
    case(
        "a store to where nothing is mapped traps",
        Call("ac820000 sw v0,0(a0)" + RETURN, before={"a0": NOWHERE}, after={}, stop=StopKind.TRAP, trap="tlb-store"),
    ),
    case(
        "a load from kuseg traps",
        Call("8c820000 lw v0,0(a0)" + RETURN, before={"a0": 0x1000}, after={}, stop=StopKind.TRAP, trap="tlb-load"),
    ),
    case(
        "a store to kuseg traps",
        Call("ac820000 sw v0,0(a0)" + RETURN, before={"a0": 0x1000}, after={}, stop=StopKind.TRAP, trap="tlb-store"),
    ),
    case(
        "a load from kseg3 traps",
        Call(
            "8c820000 lw v0,0(a0)" + RETURN,
            before={"a0": 0xFFFF_FFFF_E000_0000},
            after={},
            stop=StopKind.TRAP,
            trap="tlb-load",
        ),
    ),
    case(
        "a store to read-only memory traps",
        Call("ac820000 sw v0,0(a0)" + RETURN, before={"a0": FIXED}, after={}, stop=StopKind.TRAP, trap="tlb-store"),
    ),
    case(
        "a store to code traps",
        Call("ac820000 sw v0,0(a0)" + RETURN, before={"a0": CODE}, after={}, stop=StopKind.TRAP, trap="tlb-store"),
    ),
    case(
        "an enabled division by zero of floats traps",
        Call(
            "46062083 div.s $f2,$f4,$f6" + RETURN,
            before={"fcsr": 0x400, "f4": 0x3F80_0000, "f6": 0},
            after={"fcsr": 0x8400},
            stop=StopKind.TRAP,
            trap="fp-exception",
        ),
    ),
    # Control that leaves the code.
    case(
        "a jump to a misaligned address is an address error",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": CODE + 2},
            after=None,
            stop=StopKind.TRAP,
            trap="address-error-fetch",
        ),
    ),
    case(
        "a jump to where nothing is mapped traps",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": NOWHERE},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
    ),
    case(
        "a jump to data traps",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": DATA},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
    ),
    case(
        "a call through a null pointer traps",
        Call(
            "0080f809 jalr a0; 00000000 sll zero,zero,0x0" + RETURN,
            before={"a0": 0},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
    ),
    case(
        "a jump to an address that is not sign-extended is an address error",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": CODE % 2**32},
            after=None,
            stop=StopKind.TRAP,
            trap="address-error-fetch",
        ),
    ),
    case(
        "a branch out of the code traps",
        Call(
            "1000ffbf beq zero,zero,0xffffffff80000f00; 00000000 sll zero,zero,0x0",
            before={},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
    ),
    case(
        "a jump out of the code traps",
        Call(
            "0800c000 j 0xffffffff80030000; 00000000 sll zero,zero,0x0",
            before={},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
        ),
    ),
    # Words that are not MIPS III (MIPS R4000 User's Manual, 2nd ed., figure A-2), and what no leg runs.
    case(
        "a conditional move is reserved",
        Call("0085100a .word 0x85100a" + RETURN, stop=StopKind.TRAP, trap="reserved-instruction"),
    ),
    case(
        "a multiply and add is reserved",
        Call("70850000 .word 0x70850000" + RETURN, stop=StopKind.TRAP, trap="reserved-instruction"),
    ),
    case(
        "a rotation is reserved",
        Call("00241042 .word 0x241042" + RETURN, stop=StopKind.TRAP, trap="reserved-instruction"),
    ),
    case(
        "an empty slot of the opcode map is reserved",
        Call("00000005 .word 0x5" + RETURN, stop=StopKind.TRAP, trap="reserved-instruction"),
    ),
    case(
        "a three-operand multiply is reserved",
        Call("70851002 .word 0x70851002" + RETURN, stop=StopKind.TRAP, trap="reserved-instruction"),
    ),
    case(
        "tlb operations are refused",
        Call("42000002 tlbwi" + RETURN, before={}, after={}, stop=StopKind.TRAP, trap="refused"),
    ),
    case(
        "eret is refused",
        Call("42000018 eret" + RETURN, before={}, after=None, stop=StopKind.TRAP, trap="refused"),
    ),
    case(
        "a branch in a delay slot is refused",
        Call(
            "10000002 beq zero,zero,0xffffffff8000100c; 10000001 beq zero,zero,0xffffffff8000100c; "
            "00000000 sll zero,zero,0x0" + RETURN,
            before={},
            after=None,
            stop=StopKind.TRAP,
            trap="refused",
        ),
    ),
)
