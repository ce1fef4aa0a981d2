"""Conformance cases: calls of what lies outside of the program, and registers of devices.

With draws of 0 every answer is zero, so that what an external leaves can be written down: nothing in each register that
it need not preserve. Which these are is the table of MIPSpro N32 ABI Handbook, chapter 2, table 2-4.
"""

from __future__ import annotations

from conformance_model import CODE, DATA, KSEG1, RETURN, Call, Case, StopKind, case

from harness.abi import ABIS
from harness.engines.base import RETURN_ADDRESS
from harness.engines.outside import Boundary, DeviceWindow, Outside, Slot, Span

SEND, TAKE = 0xFFFF_FFFF_8000_0400, 0xFFFF_FFFF_8000_0410
#: A boundary in the middle of the code: what the image holds there must not run.
INSIDE = CODE + 0x20
CRANE = 0xFFFF_FFFF_A4F0_0000

N32 = ABIS["n32"]
CROSSED = dict.fromkeys(("at", "v0", "v1", "hi", "lo"), 0)
CROSSED |= {f"a{n}": 0 for n in range(4)} | {f"t{n}": 0 for n in range(10)}  # a4 to a7 of n32 are t0 to t3 here
CROSSED |= {f"f{n}": 0 for n in range(32) if n not in (20, 22, 24, 26, 28, 30)}


def _outside(*boundaries: Boundary, windows: tuple[DeviceWindow, ...] = ()) -> Outside:
    return Outside(N32, {one.address: one for one in boundaries}, windows)


def _external(name: str, address: int, arguments: str = "", reads: str = "", writes: str = "", **more: str) -> Boundary:
    slots = tuple(map(Slot.of, arguments.split()))
    spans = [tuple(map(Span.of, text.split())) for text in (reads, writes)]
    return Boundary(name, address, slots, *spans, **more)  # type: ignore[arg-type] # only the result is left


SENDING = _outside(_external("port_send", SEND, "a0"), _external("port_take", TAKE))
MESSAGES = _outside(_external("port_send", SEND, "a2", "a1[a2] a3[text]", "a1[4]", result="a1"))
STACKED = _outside(_external("port_send", SEND, "f12 d14 sp+8"))
CUT_OUT = _outside(_external("port_open", INSIDE, "a0"))
DEVICES = _outside(_external("port_send", SEND, "a0"), windows=(DeviceWindow("crane", CRANE, 32),))

#: The return address is kept in s0; the call stands in words 1 and 2.
CALL = "03e08025 or s0,ra,zero; 0c000100 jal 0xffffffff80000400; "
BACK = "; 02000008 jr s0; 00000000 sll zero,zero,0x0"
AFTER_CALL = {**CROSSED, "s0": RETURN_ADDRESS, "ra": CODE + 12}

OUTSIDE: tuple[Case, ...] = (
    case(
        "a call of an external is an event and leaves what it must preserve",
        Call(
            CALL + "24040005 addiu a0,zero,5" + BACK,
            after=AFTER_CALL,
            outside=SENDING,
            events=("port_send(a0=00000005) gives v0=00000000",),
        ),
    ),
    case(
        "externals are told in the order of their calls",
        Call(
            CALL + "24040005 addiu a0,zero,5; 0c000104 jal 0xffffffff80000410; 00000000 sll zero,zero,0x0; "
            "0c000100 jal 0xffffffff80000400; 24040006 addiu a0,zero,6" + BACK,
            after={**AFTER_CALL, "ra": CODE + 28},
            outside=SENDING,
            events=(
                "port_send(a0=00000005) gives v0=00000000",
                "port_take() gives v0=00000000",
                "port_send(a0=00000006) gives v0=00000000",
            ),
        ),
    ),
    case(
        "a jump to an external returns to the caller",
        Call(
            "08000100 j 0xffffffff80000400; 24040007 addiu a0,zero,7",
            after=CROSSED,
            outside=SENDING,
            events=("port_send(a0=00000007) gives v0=00000000",),
        ),
    ),
    case(
        "an external is reached through a register",
        Call(
            "03e08025 or s0,ra,zero; 0320f809 jalr t9; 24040005 addiu a0,zero,5" + BACK,
            before={"t9": SEND},
            after=AFTER_CALL,
            outside=SENDING,
            events=("port_send(a0=00000005) gives v0=00000000",),
        ),
    ),
    case(
        "an external sees memory and fills it",
        Call(
            CALL + "00000000 sll zero,zero,0x0" + BACK,
            before={"a1": DATA + 2, "a2": 3, "a3": DATA + 14},
            after={**AFTER_CALL, "v0": DATA + 2},
            stores={2: "00000000"},
            outside=MESSAGES,
            # 6e7f is followed by the zeros of the page; the text ends with the first of them.
            events=("port_send(a2=00000003, a1[a2]=a2b3c4, a3[text]=6e7f00) gives v0=80010002, a1[4]=00000000",),
        ),
    ),
    case(
        "what an external cannot see is told as such",
        Call(
            CALL + "00000000 sll zero,zero,0x0" + BACK,
            before={"a1": DATA + 0xFFF, "a2": 2, "a3": 0},
            after={**AFTER_CALL, "v0": DATA + 0xFFF},
            outside=MESSAGES,
            events=("port_send(a2=00000002, a1[a2]=not mapped, a3[text]=not mapped) gives v0=80010fff",),
        ),
    ),
    case(
        "arguments lie in floating-point registers and on the stack",
        Call(
            CALL + "00000000 sll zero,zero,0x0" + BACK,
            before={"f12": 0x3F80_0000, "f14": 0x3FF0_0000_0000_0000, "sp": DATA},
            after=AFTER_CALL,
            outside=STACKED,
            events=("port_send(f12=3f800000, d14=3ff0000000000000, sp+8=08192a3b4c5d6e7f) gives v0=00000000",),
        ),
    ),
    case(
        "an external in the middle of the code does not run",
        Call(
            "03e08025 or s0,ra,zero; 0c000408 jal 0xffffffff80001020; 24040005 addiu a0,zero,5" + BACK + ""
            "; 00000000 sll zero,zero,0x0" * 3 + "; 24110063 addiu s1,zero,99; 24110063 addiu s1,zero,99" + RETURN,
            after=AFTER_CALL,
            outside=CUT_OUT,
            events=("port_open(a0=00000005) gives v0=00000000",),
        ),
    ),
    case(
        "memory round an external reads the same on every leg",
        Call(
            "8c820000 lw v0,0(a0)" + RETURN,
            before={"a0": SEND},
            after={"v0": 0x1000_FFFF},
            outside=SENDING,
        ),
    ),
    case(
        "a jump beside an external finds no code",
        Call(
            "00800008 jr a0; 00000000 sll zero,zero,0x0",
            before={"a0": SEND + 4},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-fetch",
            outside=SENDING,
        ),
    ),
    case(
        "events do not leak into the next run",
        *(
            Call(
                CALL + "24040005 addiu a0,zero,5" + BACK,
                after=AFTER_CALL,
                outside=SENDING,
                events=("port_send(a0=00000005) gives v0=00000000",),
            ),
        )
        * 2,
        Call("24020001 addiu v0,zero,1" + RETURN, after={"v0": 1}, outside=SENDING),
    ),
    case(
        "a run that does nothing but call outside is stopped",
        Call(
            "0c000100 jal 0xffffffff80000400; 24040005 addiu a0,zero,5; "
            "1000fffd beq zero,zero,0xffffffff80001000; 00000000 sll zero,zero,0x0",
            after=None,
            stop=StopKind.FUEL,
            fuel=1_000_000,
            outside=SENDING,
            events=None,
        ),
    ),
)

DEVICE: tuple[Case, ...] = (
    case(
        "a device gives what is drawn and takes what is written in order",
        Call(
            "8c820004 lw v0,4(a0); 94830006 lhu v1,6(a0); 90840003 lbu a0,3(a0); a0a80001 sb t0,1(a1); "
            "a4a80002 sh t0,2(a1); aca80008 sw t0,8(a1)" + RETURN,
            before={"a0": CRANE, "a1": CRANE, "t0": 0x1122_3344},
            after={"v0": 0, "v1": 0, "a0": 0},
            outside=DEVICES,
            events=(
                "read 4 bytes at ffffffffa4f00004 gives 00000000",
                "read 2 bytes at ffffffffa4f00006 gives 0000",
                "read 1 bytes at ffffffffa4f00003 gives 00",
                "write 1 bytes at ffffffffa4f00001: 44",
                "write 2 bytes at ffffffffa4f00002: 3344",
                "write 4 bytes at ffffffffa4f00008: 11223344",
            ),
        ),
    ),
    case(
        "a device stands in both views of memory",
        Call(
            "ac880000 sw t0,0(a0); aca80000 sw t0,0(a1)" + RETURN,
            before={"a0": CRANE, "a1": CRANE - KSEG1, "t0": 1},
            outside=DEVICES,
            events=("write 4 bytes at ffffffffa4f00000: 00000001",) * 2,
        ),
    ),
    case(
        "eight bytes to a device are two words",
        Call(
            "fc880008 sd t0,8(a0); dc820010 ld v0,16(a0)" + RETURN,
            before={"a0": CRANE, "t0": 0x0102_0304_0506_0708},
            after={"v0": 0},
            outside=DEVICES,
            events=(
                "write 4 bytes at ffffffffa4f00008: 01020304",
                "write 4 bytes at ffffffffa4f0000c: 05060708",
                "read 4 bytes at ffffffffa4f00010 gives 00000000",
                "read 4 bytes at ffffffffa4f00014 gives 00000000",
            ),
        ),
    ),
    case(
        "a delay slot reaches a device once",
        Call(
            "10000003 beq zero,zero,0xffffffff80001010; ac880000 sw t0,0(a0); 24020063 addiu v0,zero,99; "
            "24020063 addiu v0,zero,99; 03e00008 jr ra; 8c830004 lw v1,4(a0)",
            before={"a0": CRANE, "t0": 7},
            after={"v1": 0},
            outside=DEVICES,
            events=(
                "write 4 bytes at ffffffffa4f00000: 00000007",
                "read 4 bytes at ffffffffa4f00004 gives 00000000",
            ),
        ),
    ),
    case(
        "a loop that waits for a device ends, whichever way the bit must fall",
        *(
            Call(
                f"8c820004 lw v0,4(a0); 30420004 andi v0,v0,0x4; {branch}; 00000000 sll zero,zero,0x0" + RETURN,
                before={"a0": CRANE},
                after=None,
                outside=DEVICES,
                draws=draws,
                events=None,
            )
            for draws in range(1, 20)
            for branch in ("1040fffd beq v0,zero,0xffffffff80001000", "1440fffd bne v0,zero,0xffffffff80001000")
        ),
    ),
    case(
        "beside a device is nothing",
        Call(
            "8c820020 lw v0,32(a0)" + RETURN,
            before={"a0": CRANE},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-load",
            outside=DEVICES,
        ),
        Call(
            "ac820024 sw v0,36(a0)" + RETURN,
            before={"a0": CRANE},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-store",
            outside=DEVICES,
        ),
    ),
    case(
        "an access of a device must be aligned",
        Call(
            "8c820002 lw v0,2(a0)" + RETURN,
            before={"a0": CRANE},
            after=None,
            stop=StopKind.TRAP,
            trap="address-error-load",
            outside=DEVICES,
        ),
    ),
    case(
        "calls and devices are told in one order",
        Call(
            CALL + "ac880000 sw t0,0(a0); ad090000 sw t1,0(t0)" + BACK,
            before={"a0": CRANE, "t0": CRANE, "t1": 9},
            after=None,
            stop=StopKind.TRAP,
            trap="tlb-store",  # t0 did not survive the call
            outside=DEVICES,
            events=(
                "write 4 bytes at ffffffffa4f00000: a4f00000",
                "port_send(a0=a4f00000) gives v0=00000000",
            ),
        ),
    ),
)
