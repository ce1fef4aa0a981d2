"""What the processor manuals leave open, and what the chip hands to software: one case each, from event to verdict.

The reference names the event and the instruction; the comparator then counts the state under that reason and looks at
nothing the translation leaves, but a host crash of the translation is a finding all the same.

R4K = MIPS R4000 User's Manual, 2nd ed.; V41 = NEC S15543EJ1V0UM, App. A; V5K = NEC VR5000 User's Manual U11761EJ6V0UM;
R10K = MIPS R10000 User's Manual; M64 = MIPS64 Architecture, vol. II-A, rev. 6.06.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import pytest
from conformance_model import CODE, DATA, RETURN, Call, code_region, state_before, target

from harness.abi import ABIS
from harness.compare import Judgement, Result, Rules, candidate_matters, judge_candidate, judge_references
from harness.config import Scope
from harness.engines.base import MachineState, Outcome, StopKind
from harness.engines.reference import Reference
from harness.verdicts import DifferenceKind
from interp.events import OPENS, WARNINGS
from interp.optable import decode

WIDE = 0x1_0000_0000  # no sign-extended word
MIN32, MIN64, MINUS_1 = 0xFFFF_FFFF_8000_0000, 1 << 63, (1 << 64) - 1
QUIET, SIGNALLING = 0x7F80_0001, 0x7FC0_0000  # NaNs as the old MIPS encoding has them (R4K p. 165)
ONE, HALF, LEAST_NORMAL, LEAST = 0x3F80_0000, 0x3F00_0000, 0x0080_0000, 0x0000_0001
FLUSH, ENABLE_U, ENABLE_I = 1 << 24, 1 << 8, 1 << 7  # bits of FCR31 (V5K p. 188)


@dataclass(frozen=True)
class Opening:
    """A call of which instruction number ``at``, named ``row``, uses what ``source`` leaves open."""

    case: str
    event: str
    row: str
    listing: str
    source: str
    before: dict[str, int] = field(default_factory=dict)
    at: int = 0
    fr: bool = True
    code_writable: bool = False

    def __str__(self) -> str:
        return self.case.replace(" ", "-")


OPEN = (
    Opening("div by zero", "division-by-zero", "div", "0085001a div zero,a0,a1", "R4K A-55", {"a1": 0}),
    Opening("divu by zero", "division-by-zero", "divu", "0085001b divu zero,a0,a1", "R4K A-55", {"a1": 0}),
    Opening("ddiv by zero", "division-by-zero", "ddiv", "0085001e ddiv zero,a0,a1", "V41 p. 473", {"a1": 0}),
    Opening("ddivu by zero", "division-by-zero", "ddivu", "0085001f ddivu zero,a0,a1", "V41 p. 476", {"a1": 0}),
    Opening(
        "div of the most negative word by minus one",
        *("division-overflow", "div", "0085001a div zero,a0,a1", "R4K A-55"),
        {"a0": MIN32, "a1": MINUS_1},
    ),
    Opening(
        "ddiv of the most negative doubleword by minus one",
        *("division-overflow", "ddiv", "0085001e ddiv zero,a0,a1", "R4K A-55"),
        {"a0": MIN64, "a1": MINUS_1},
    ),
    *(
        Opening(f"{row} of a wide register", "non-canonical-operand", row, listing, "R4K p. 39", {"a0": WIDE})
        for row, listing in (
            ("add", "00851020 add v0,a0,a1"),
            ("addiu", "24820001 addiu v0,a0,1"),
            ("addu", "00851021 addu v0,a0,a1"),
            ("subu", "00851023 subu v0,a0,a1"),
            ("sllv", "00a41004 sllv v0,a0,a1"),
            ("srl", "00041042 srl v0,a0,0x1"),
            ("mult", "00850018 mult a0,a1"),
            ("div", "0085001a div zero,a0,a1"),
        )
    ),
    Opening("sra of a wide register", "non-canonical-operand", "sra", "00041043 sra v0,a0,0x1", "V41 p. 554; M64 SRA",
            {"a0": WIDE}),
    Opening("srav of a wide register", "non-canonical-operand", "srav", "00a41007 srav v0,a0,a1",
            "V41 p. 554; M64 SRA", {"a0": WIDE}),
    Opening("a branch in a delay slot", "branch-in-delay-slot", "beq",
            "10000002 beq zero,zero,0x8000100c; 10000001 beq zero,zero,0x8000100c; 00000000 sll zero,zero,0x0",
            "R4K A-9", at=1),
    Opening("a jump in a delay slot", "branch-in-delay-slot", "jr", "03e00008 jr ra; 03e00008 jr ra", "R4K A-9", at=1),
    Opening("bgezal on the register that it writes", "link-register", "bgezal",
            "03e01025 or v0,ra,zero; 07f10003 bgezal ra,0x80001014; 00000000 nop; 00000000 nop; 00000000 nop; "
            "00400008 jr v0; 00000000 nop", "R4K A-9", at=1),
    Opening("bltzall on the register that it writes", "link-register", "bltzall",
            "03e01025 or v0,ra,zero; 07f20003 bltzall ra,0x80001014; 00000000 nop; 00000000 nop; 00000000 nop; "
            "00400008 jr v0; 00000000 nop", "R4K A-9", at=1),
    Opening("jalr to the register that it writes", "link-register", "jalr", "00802009 jalr a0,a0; 00000000 nop",
            "R4K A-9", {"a0": CODE + 8}),
    Opening("sc to another address than ll", "sc-address", "sc", "c0820000 ll v0,0(a0); e0820008 sc v0,8(a0)",
            "R4K A-126", {"a0": DATA}, at=1),
    Opening("scd to another address than lld", "sc-address", "scd", "d0820000 lld v0,0(a0); f0820008 scd v0,8(a0)",
            "R4K A-126", {"a0": DATA}, at=1),
    Opening("a store between ll and sc", "sc-after-store", "sc",
            "c0820000 ll v0,0(a0); ac850008 sw a1,8(a0); e0820000 sc v0,0(a0)", "R4K A-97", {"a0": DATA}, at=2),
    Opening("a second sc", "sc-after-store", "sc",
            "c0820000 ll v0,0(a0); e0820000 sc v0,0(a0); e0830000 sc v1,0(a0)", "R4K A-126", {"a0": DATA}, at=2),
    Opening("a double of which mtc1 wrote half", "upper-fpr-half", "mov.d",
            "44842000 mtc1 a0,$f4; 46202086 mov.d $f2,$f4", "R4K App. B; R10K 15.3", at=1),
    Opening("a double of which lwc1 loaded half", "upper-fpr-half", "add.d",
            "c4840000 lwc1 $f4,0(a0); 46242080 add.d $f2,$f4,$f4", "R4K App. B; R10K 15.3", {"a0": DATA}, at=1),
    Opening("a double of which add.s wrote half", "upper-fpr-half", "mov.d",
            "46063100 add.s $f4,$f6,$f6; 46202086 mov.d $f2,$f4", "R4K App. B; R10K 15.3",
            {"f6": ONE}, at=1),
    Opening("a doubleword moved to a general register of which a word was written", "upper-fpr-half", "dmfc1",
            "44842000 mtc1 a0,$f4; 44222000 dmfc1 v0,$f4", "R4K App. B; R10K 15.3", at=1),
    Opening("an odd source of single arithmetic", "odd-fpr", "c.eq.s", "46021832 c.eq.s $f3,$f2", "R4K B-11",
            {"f2": 0, "f3": 0}, fr=False),
    Opening("an odd destination of single arithmetic", "odd-fpr", "add.s", "46042140 add.s $f5,$f4,$f4", "R4K B-11",
            {"f4": ONE}, fr=False),
    Opening("an odd double", "odd-fpr", "add.d", "46231100 add.d $f4,$f2,$f3", "R4K B-11",
            {"f2": 0, "f3": 0x3FF0_0000}, fr=False),
    Opening("ldc1 of an odd register", "odd-fpr", "ldc1", "d4870000 ldc1 $f7,0(a0)", "from memory", {"a0": DATA},
            fr=False),
    Opening("sdc1 of an odd register", "odd-fpr", "sdc1", "f4870000 sdc1 $f7,0(a0)", "from memory", {"a0": DATA},
            fr=False),
    Opening("dmtc1 of an odd register", "odd-fpr", "dmtc1", "44a43800 dmtc1 a0,$f7", "from memory", fr=False),
    Opening("code that the guest wrote itself", "modified-code", "addiu",
            "ac850008 sw a1,8(a0); 00000000 nop; 24020001 addiu v0,zero,1", "from memory",
            {"a0": CODE, "a1": 0x2402_0002}, at=2, code_writable=True),
)  # fmt: skip


@dataclass(frozen=True)
class Unfinished:
    """A call whose first instruction, named ``row``, the chip leaves to software: cause E of FCR31."""

    case: str
    row: str
    listing: str
    source: str
    before: dict[str, int] = field(default_factory=dict)

    def __str__(self) -> str:
        return self.case.replace(" ", "-")


UNIMPLEMENTED = (
    Unfinished("a quiet NaN in a sum", "add.s", "46062080 add.s $f2,$f4,$f6", "R4K p. 196; V5K p. 211",
               {"f4": QUIET, "f6": ONE}),
    Unfinished("a quiet NaN in a conversion of formats", "cvt.d.s", "460020a1 cvt.d.s $f2,$f4",
               "R4K p. 196; V5K p. 211", {"f4": QUIET}),
    Unfinished("abs of a quiet NaN", "abs.s", "46002085 abs.s $f2,$f4", "R4K p. 193, 196", {"f4": QUIET}),
    Unfinished("neg of a quiet NaN", "neg.d", "46202087 neg.d $f2,$f4", "R4K p. 193, 196",
               {"f4": 0x7FF0_0000_0000_0001}),
    Unfinished("neg of a denormal", "neg.d", "46202087 neg.d $f2,$f4", "R4K p. 193, 196", {"f4": 1}),
    Unfinished("a denormal in a product", "mul.s", "46062082 mul.s $f2,$f4,$f6", "R4K p. 196; V5K p. 211",
               {"f4": LEAST, "f6": ONE}),
    Unfinished("a denormal in a root though FS is set", "sqrt.s", "46002084 sqrt.s $f2,$f4", "R4K p. 196; V5K p. 211",
               {"f4": LEAST, "fcsr": FLUSH}),
    Unfinished("a tiny result", "mul.s", "46062082 mul.s $f2,$f4,$f6", "R4K p. 195-196",
               {"f4": LEAST_NORMAL, "f6": HALF}),
    Unfinished("a tiny result with underflow enabled though FS is set", "mul.s", "46062082 mul.s $f2,$f4,$f6",
               "R4K p. 195-196", {"f4": LEAST_NORMAL, "f6": HALF, "fcsr": FLUSH | ENABLE_U}),
    Unfinished("a tiny result with inexact enabled though FS is set", "mul.s", "46062082 mul.s $f2,$f4,$f6",
               "R4K p. 195-196", {"f4": LEAST_NORMAL, "f6": HALF, "fcsr": FLUSH | ENABLE_I}),
    *(
        Unfinished(f"{name} to a word", "trunc.w.s", "4600208d trunc.w.s $f2,$f4", "V5K p. 208, 212", {"f4": bits})
        for name, bits in (
            ("2**31", 0x4F00_0000), ("the next below -2**31", 0xCF00_0001), ("infinity", 0x7F80_0000),
            ("a quiet NaN", QUIET), ("a signalling NaN", SIGNALLING),
        )
    ),
    *(
        Unfinished(f"{name} to a doubleword", "trunc.l.d", "46202089 trunc.l.d $f2,$f4", "V5K p. 212", {"f4": bits})
        for name, bits in (
            ("2**63", 0x43E0_0000_0000_0000), ("-2**64", 0xC3F0_0000_0000_0000), ("infinity", 0x7FF0_0000_0000_0000),
            ("a quiet NaN", 0x7FF0_0000_0000_0001), ("2**53", 0x4340_0000_0000_0000),
            ("-2**53 - 2", 0xC340_0000_0000_0001),
        )
    ),
    Unfinished("a wide doubleword to a single", "cvt.s.l", "46a020a0 cvt.s.l $f2,$f4", "V5K p. 212; bound from memory",
               {"f4": 1 << 55}),
    Unfinished("a wide doubleword to a double", "cvt.d.l", "46a020a1 cvt.d.l $f2,$f4", "V5K p. 212; bound from memory",
               {"f4": MIN64}),
    Unfinished("a function without a meaning", "", "46002097 word", "R4K p. 196"),
    Unfinished("a single converted to a single", "", "460020a0 word", "R4K p. 196"),
    Unfinished("a sum of words", "", "46862080 word", "R4K p. 196"),
    Unfinished("a format without a meaning", "", "46c62080 word", "R4K p. 196"),
    Unfinished("cause E written to FCR31", "ctc1", "44c4f800 ctc1 a0,c1_fcsr", "V5K p. 191", {"a0": 1 << 17}),
)  # fmt: skip


def on_the_reference(call: Call, code_writable: bool = False) -> tuple[MachineState, Outcome]:
    """The state before a call, and what the reference does with it."""
    code = replace(code_region(call), writable=code_writable)
    before = state_before(call, code)
    engine = Reference()
    engine.load(target(call, code))
    return before, engine.run(before, call.fuel)


def opened(case: Opening) -> tuple[MachineState, Outcome]:
    return on_the_reference(Call(case.listing + RETURN, case.before, fr=case.fr), case.code_writable)


def unfinished(case: Unfinished) -> tuple[MachineState, Outcome]:
    return on_the_reference(Call(case.listing + RETURN, case.before))


def judged(before: MachineState, reference: Outcome, candidate: Outcome) -> Judgement:
    """The judgement of a translation that did ``candidate``, on the reference's word alone."""
    rules, references = Rules(Scope.ALL, ABIS["n32" if before.fr else "o32"]), [("reference", reference)]
    decided = judge_references(before, references, rules)
    if decided is not None and not candidate_matters(decided, reference):
        return decided  # as in a check: the translation is not run at all
    return judge_candidate(before, references, decided, ("gcc", candidate), rules)


def another_result(before: MachineState) -> Outcome:
    """A translation that came back with values of its own."""
    return Outcome(StopKind.RETURNED, replace(before, gpr=(0, *[77] * 31), hi=78, lo=79, fpr=(80,) * 32))


CRASH = Outcome(StopKind.CRASH, None, detail="host division by zero")


@pytest.mark.parametrize("case", OPEN, ids=str)
def test_the_reference_names_what_is_open_and_where(case: Opening) -> None:
    _, outcome = opened(case)
    address = CODE + 4 * case.at
    assert [(event.kind, event.address) for event in outcome.events] == [(case.event, address)]
    insn = decode(int(case.listing.split("; ")[case.at][:8], 16))
    assert insn is not None and insn.row.name == case.row


@pytest.mark.parametrize("case", OPEN, ids=str)
def test_a_state_that_uses_what_is_open_does_not_count(case: Opening) -> None:
    before, outcome = opened(case)
    judgement = judged(before, outcome, another_result(before))
    assert (judgement.result, judgement.reason) == (Result.DISCARDED, f"open:{case.event}")


@pytest.mark.parametrize("case", OPEN, ids=str)
def test_a_host_crash_is_a_finding_where_something_is_open(case: Opening) -> None:
    difference = judged(*opened(case), CRASH).difference
    assert difference is not None and difference.kind is DifferenceKind.CRASH


@pytest.mark.parametrize("case", UNIMPLEMENTED, ids=str)
def test_what_the_chip_leaves_to_software_traps_there_and_writes_nothing(case: Unfinished) -> None:
    before, outcome = unfinished(case)
    assert (outcome.stop, outcome.trap, outcome.at) == (StopKind.TRAP, "unimplemented-operation", CODE)
    assert outcome.after is not None
    assert (outcome.after.fpr, outcome.after.gpr) == (before.fpr, before.gpr)
    insn = decode(int(case.listing[:8], 16))
    assert (insn.row.name if insn is not None else "") == case.row


@pytest.mark.parametrize("case", UNIMPLEMENTED, ids=str)
def test_a_state_that_needs_software_does_not_count(case: Unfinished) -> None:
    before, outcome = unfinished(case)
    judgement = judged(before, outcome, another_result(before))
    assert (judgement.result, judgement.reason) == (Result.DISCARDED, "guest trap:unimplemented-operation")


@pytest.mark.parametrize("case", UNIMPLEMENTED, ids=str)
def test_a_host_crash_is_a_finding_where_the_chip_needs_software(case: Unfinished) -> None:
    difference = judged(*unfinished(case), CRASH).difference
    assert difference is not None and difference.kind is DifferenceKind.CRASH


def test_every_open_event_has_a_case() -> None:
    by_option = {"unimplemented-operation"}  # as an event only where IEEE results are asked for: UNIMPLEMENTED above
    assert {case.event for case in OPEN} == set(OPENS) - by_option - set(WARNINGS)


# --- beside the open cases: what is defined, and what is only worth a warning ----------------------------------------

DEFINED = {
    "sll-of-a-wide-register-makes-it-a-word": (Call("00041000 sll v0,a0,0x0" + RETURN, {"a0": WIDE})),
    "a-branch-right-behind-its-compare": (
        Call("46022032 c.eq.s $f4,$f2; 45010001 bc1t 0x8000100c; 00000000 nop" + RETURN, {"f2": ONE, "f4": ONE})
    ),
    "a-word-used-right-behind-its-mtc1": (
        Call("44842000 mtc1 a0,$f4; 46042080 add.s $f2,$f4,$f4" + RETURN, {"a0": ONE})
    ),
    "sc-without-ll": (Call("e0820000 sc v0,0(a0)" + RETURN, {"a0": DATA})),
    "the-upper-half-saved-and-restored": (
        Call("44842000 mtc1 a0,$f4; f4a40000 sdc1 $f4,0(a1); d4a40000 ldc1 $f4,0(a1)" + RETURN, {"a1": DATA})
    ),
    "compares-of-denormals-go-by-value": (Call("46062034 c.olt.s $f4,$f6" + RETURN, {"f4": LEAST, "f6": ONE})),
    "code-written-but-not-run": (Call("ac850800 sw a1,2048(a0)" + RETURN, {"a0": CODE, "a1": 7})),
}


@pytest.mark.parametrize("call", DEFINED.values(), ids=DEFINED)
def test_what_the_manuals_define_is_not_open(call: Call) -> None:
    _, outcome = on_the_reference(call, code_writable=True)
    assert (outcome.stop, outcome.events) == (StopKind.RETURNED, ())


HAZARDS = {
    "next": ("00001010 mfhi v0; 00850018 mult a0,a1", 1),
    "second": ("00001012 mflo v0; 00000000 nop; 0085001b divu zero,a0,a1", 2),
    "in-a-slot": ("00001010 mfhi v0; 10000001 beq zero,zero,0x8000100c; 0085001c dmult a0,a1", 2),
}


@pytest.mark.parametrize(("listing", "at"), HAZARDS.values(), ids=HAZARDS)
def test_a_product_close_behind_mfhi_or_mflo_is_a_warning_and_counts(listing: str, at: int) -> None:
    """R4K A-55 leaves the moved value open, but compilers keep the distance and interlocked parts need none (lore)."""
    before, outcome = on_the_reference(Call(listing + RETURN, {"a1": 3}))
    assert [(event.kind, event.address) for event in outcome.events] == [("hilo-hazard", CODE + 4 * at)]
    assert judged(before, outcome, replace(outcome, events=())).result is Result.AGREE


def test_a_product_two_instructions_behind_mflo_is_no_hazard() -> None:
    _, outcome = on_the_reference(Call("00001012 mflo v0; 00000000 nop; 00000000 nop; 00850018 mult a0,a1" + RETURN))
    assert outcome.events == ()


def test_an_instruction_that_ran_before_the_guest_changed_it_is_named_too() -> None:
    """The reference runs code as it was mapped, and cannot tell which of the two was meant."""
    call = Call("24020001 addiu v0,zero,1; ac850000 sw a1,0(a0)" + RETURN, {"a0": CODE, "a1": 0x2402_0002})
    _, outcome = on_the_reference(call, code_writable=True)
    assert [(event.kind, event.address) for event in outcome.events] == [("modified-code", CODE)]
