"""Faults of integer and memory instructions."""

from __future__ import annotations

from harness.engines.faults.model import OPEN, Fault, Group, Probe

_WIDE = 0x1_0000_0000
_DATA = 0xFFFF_FFFF_8003_0000
_NOWHERE = 0xFFFF_FFFF_8013_0000
_WORD = 0xFFFF_FFFF_DEAD_BEEF
_ALL = "ffffffffffffffff"
_INTEGER = Group.INTEGER

_WORDS_ONLY = "operands must be sign-extended words"
_ADDRESS = "the leg checks the address first"

INTEGER: tuple[Fault, ...] = (
    Fault(
        "sra-wide", _INTEGER, "sra", "rt is not a sign-extended word", "shifts all 64 bits", _WORDS_ONLY,
        "V41 p. 554, M64 SRA", OPEN, "v0=80000000", "v0=0",
        Probe("00041043 sra v0,a0,0x1", {"a0": _WIDE}),
    ),
    Fault(
        "sra-unextended", _INTEGER, "sra", "bit 31 of rt is set and no bit above", "leaves a result that is no word",
        _WORDS_ONLY, "V41 p. 554, M64 SRA", OPEN, "v0=80000000", "v0=ffffffff80000000",
        Probe("00041003 sra v0,a0,0x0", {"a0": 0x8000_0000}),
    ),
    Fault(
        "srav-wide", _INTEGER, "srav", "rt is not a sign-extended word", "shifts all 64 bits", _WORDS_ONLY,
        "V41 p. 554, M64 SRA", OPEN, "v0=10000000", "v0=0",
        Probe("00a41007 srav v0,a0,a1", {"a0": _WIDE, "a1": 4}),
    ),
    Fault(
        "add-wide-trap", _INTEGER, "add", "an operand is not a sign-extended word", "sees an overflow where none is",
        _WORDS_ONLY, "R4K p. 39", OPEN, "trap overflow", "v0=ffffffff80000000",
        Probe("00851020 add v0,a0,a1", {"a0": 0x8000_0000}),
    ),
    Fault(
        "addi-wide-trap", _INTEGER, "addi", "rs is not a sign-extended word", "sees an overflow where none is",
        _WORDS_ONLY, "R4K p. 39", OPEN, "trap overflow", "v0=ffffffff80000000",
        Probe("20820000 addi v0,a0,0", {"a0": 0x8000_0000}),
    ),
    Fault(
        "sub-wide-no-trap", _INTEGER, "sub", "an operand is not a sign-extended word", "misses an overflow",
        _WORDS_ONLY, "R4K p. 39", OPEN, "v0=7fffffff", "trap overflow",
        Probe("00851022 sub v0,a0,a1", {"a0": 0x8000_0000, "a1": 1}),
    ),
    Fault(
        "div-by-zero", _INTEGER, "div", "rt is 0", "divides by 1", "HI and LO are undefined",
        "R4K A-55", OPEN, "lo=7 hi=0", f"lo={_ALL} hi=7",
        Probe("0085001a div zero,a0,a1", {"a0": 7}, ("lo", "hi")),
    ),
    Fault(
        "divu-by-zero", _INTEGER, "divu", "rt is 0", "divides by 1", "HI and LO are undefined",
        "R4K A-55", OPEN, f"lo={_WORD:x} hi=0", f"lo={_ALL} hi={_WORD:x}",
        Probe("0085001b divu zero,a0,a1", {"a0": _WORD}, ("lo", "hi")),
    ),
    Fault(
        "ddiv-by-zero", _INTEGER, "ddiv", "rt is 0", "divides by 1", "HI and LO are undefined",
        "V41 p. 473", OPEN, f"lo={_WORD:x} hi=0", f"lo=1 hi={_WORD:x}",
        Probe("0085001e ddiv zero,a0,a1", {"a0": _WORD}, ("lo", "hi")),
    ),
    Fault(
        "ddivu-by-zero", _INTEGER, "ddivu", "rt is 0", "divides by 1", "HI and LO are undefined",
        "V41 p. 476", OPEN, "lo=7 hi=0", f"lo={_ALL} hi=7",
        Probe("0085001f ddivu zero,a0,a1", {"a0": 7}, ("lo", "hi")),
    ),
    Fault(
        "sc-by-value", _INTEGER, "ll sc", "the word was changed since LL", "fails, whoever changed it",
        "no access should come between LL and SC", "R4K A-97, A-126", OPEN, "v0=0", "v0=1",
        Probe("c0820000 ll v0,0(a0); ac840000 sw a0,0(a0); e0820000 sc v0,0(a0)", {"a0": _DATA}),
    ),
    Fault(
        "sc-elsewhere", _INTEGER, "ll sc", "the address is not that of LL", "fails", "undefined",
        "R4K A-126", OPEN, "v0=0", "v0=1",
        Probe("c0820000 ll v0,0(a0); e0820008 sc v0,8(a0)", {"a0": _DATA}),
    ),
    Fault(
        "sc-twice", _INTEGER, "ll sc", "the second SC behind one LL", "fails", "what becomes of the link is not said",
        "R4K A-126", OPEN, "v1=0", "v1=1",
        Probe(
            "c0820000 ll v0,0(a0); 24020001 addiu v0,zero,1; e0820000 sc v0,0(a0); e0830000 sc v1,0(a0)",
            {"a0": _DATA}, ("v1",),
        ),
    ),
    Fault(
        "sc-misaligned", _INTEGER, "sc", "a misaligned address, without LL", "fails quietly", "address error",
        "R4K A-126", _ADDRESS, "v0=0", "trap address-error-store",
        Probe("e0820002 sc v0,2(a0)", {"a0": _DATA}),
    ),
    Fault(
        "scd-misaligned", _INTEGER, "scd", "a misaligned address, without LL", "fails quietly", "address error",
        "R4K A-126", _ADDRESS, "v0=0", "trap address-error-store",
        Probe("f0820004 scd v0,4(a0)", {"a0": _DATA}),
    ),
    Fault(
        "sc-unmapped", _INTEGER, "sc scd", "nothing is mapped there, without LL", "fails quietly", "TLB miss",
        "R4K A-126", _ADDRESS, "v0=0", "trap tlb-store",
        Probe("e0820000 sc v0,0(a0)", {"a0": _NOWHERE}),
    ),
    Fault(
        "late-store-trap", _INTEGER, "swl swr sdl sdr", "nothing is mapped there, or it is read-only",
        "stops only at the end of the block", "nothing behind a trap is executed", "R4K ch. 5",
        _ADDRESS, "the next instruction ran", "the next instruction did not run",
    ),
    Fault(
        "branch-in-slot", _INTEGER, "all branches and jumps", "in the delay slot of another",
        "reserved instruction", "undefined", "R4K A-9", "the leg stops before the first, and so does the reference",
        "trap reserved-instruction", "trap refused",
        Probe("10000001 beq zero,zero,0x80001008; 10000001 beq zero,zero,0x8000100c; 00000000 sll zero,zero,0x0"),
    ),
    Fault(
        "jump-misaligned", _INTEGER, "jr jalr", "the target is misaligned", "reports a load",
        "address error of the fetch", "R4K A-9", "the leg checks the target first",
        "trap address-error-load", "trap address-error-fetch",
        Probe("00800008 jr a0; 00000000 sll zero,zero,0x0", {"a0": 0xFFFF_FFFF_8000_1011}),
    ),
    Fault(
        "system-registers", _INTEGER, "mfc0 dmfc0 mtc0 dmtc0", "any register but Status",
        "a machine of its own: an identification, counters, read-only bits", "another machine's",
        "R4K ch. 4", "moves to and from them are unsupported", "v0=400", "v0=0",
        Probe("40027800 mfc0 v0,$15"),
    ),
    Fault(
        "status-bits", _INTEGER, "mtc0 dmtc0", "Status is written", "bits 31, 27 and others cannot be set",
        "all bits of the register", "R4K ch. 4", "only its interrupt bits are supported",
        "v0=34000000", "v0=ffffffffb4000000",
        Probe("40846000 mtc0 a0,$12; 40026000 mfc0 v0,$12", {"a0": 0xFFFF_FFFF_B400_0000}),
    ),
    Fault(
        "zero-register-cell", _INTEGER, "", "register 0 is written from outside", "gives the value back",
        "is always 0", "UC", "the leg never writes it", "reads back 55", "reads back 0",
    ),
)  # fmt: skip
