"""Guest events: exceptions of the processor (traps) and uses of what its manual leaves open.

Sources: R4K = MIPS R4000 User's Manual 2nd ed. 1994; V41 = NEC S15543EJ1V0UM App. A; R10K = MIPS R10000 User's Manual.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

#: Trap id -> what it is and where it is defined.
TRAPS: dict[str, str] = {
    "overflow": "signed overflow of a trapping add or subtract (R4K ch. 5, Ov)",
    "trap": "the condition of a trap instruction holds (R4K ch. 5, Tr)",
    "syscall": "SYSCALL was executed (R4K ch. 5, Sys)",
    "break": "BREAK was executed (R4K ch. 5, Bp)",
    "reserved-instruction": "the word is no MIPS III instruction (R4K fig. A-2, RI)",
    "coprocessor-unusable": "an instruction of a coprocessor that is absent or off (R4K ch. 5, CpU)",
    "address-error-load": "load from a misaligned or not sign-extended address (R4K ch. 5, AdEL)",
    "address-error-store": "store to a misaligned or not sign-extended address (R4K ch. 5, AdES)",
    "address-error-fetch": "fetch from a misaligned or not sign-extended address (R4K ch. 5, AdEL)",
    "tlb-load": "load from an address where nothing is mapped (R4K ch. 5, TLBL)",
    "tlb-store": "store where nothing is mapped (R4K ch. 5, TLBS) or to read-only memory (Mod)",
    "tlb-fetch": "fetch from an address without code (R4K ch. 5, TLBL)",
    "fp-exception": "an enabled IEEE exception (R4K ch. 5, FPE)",
    "unimplemented-operation": "an FP operation that the chip leaves to software (R4K p. 196, FPE with cause E)",
    "refused": "the reference does not run this: TLB operations, ERET, a branch in a delay slot (design choice)",
}

#: Open id -> what was used and which manual leaves it open.
OPENS: dict[str, str] = {
    "non-canonical-operand": "32-bit operation on a register that is not a sign-extended word (R4K p. 39)",
    "division-by-zero": "HI and LO after a division by zero (R4K A-55)",
    "division-overflow": "quotient of the most negative number and -1 (R4K A-55)",
    "branch-in-delay-slot": "a branch or jump in the delay slot of another (R4K A-9)",
    "sc-address": "SC to another address than the last LL (R4K A-126)",
    "sc-after-store": "SC after another store, or another SC, since LL (R4K A-97, A-126)",
    "link-register": "a linking branch or jump whose source is the register it writes (R4K A-9)",
    "upper-fpr-half": "upper half of an FPR after a 32-bit write, FR = 1 (R4K B; R10K 15.3)",
    "unimplemented-operation": "an IEEE result, by option, where the chip raises that exception (R4K p. 196)",
    "odd-fpr": "odd FPR number in arithmetic or as a doubleword, FR = 0 (R4K B-11)",
    "modified-code": "an instruction ran that the guest changed: it runs as it was mapped (design choice)",
}

#: Warning id -> what the manual leaves open there though nobody minds: it is told, and changes no verdict.
WARNINGS: dict[str, str] = {
    "hilo-hazard": "MULT, DIV or their kin within two instructions behind MFHI or MFLO, run in order (R4K A-55)",
}


@dataclass(eq=False)
class GuestTrap(Exception):  # noqa: N818 - an event of the guest, not an error of ours
    """Ends the run: the guest raised the exception ``kind`` of the processor.

    ``fault_address`` (unsigned) is where a bad access went, ``fcsr`` what a floating-point exception leaves in FCSR.
    """

    kind: str
    fault_address: int | None = None
    detail: str = ""
    fcsr: int | None = None


def trap(kind: str, cond: object, fcsr: int | None = None) -> None:
    """Raises the guest exception ``kind`` where the condition holds."""
    if cond:
        raise GuestTrap(kind, fcsr=fcsr)


def open_(kind: str, cond: object) -> None:
    """Notes that something open was used where the condition holds; the chip, and the run, go on."""
    if cond and _listeners:
        _listeners[-1](kind)


_listeners: list[Callable[[str], None]] = []  # the last one hears; none does where a row is called outside a run


@contextmanager
def heard_by(listener: Callable[[str], None]) -> Iterator[None]:
    """Sends what ``open_`` notes to ``listener``; rows are pure, so the listener cannot be one of their operands."""
    _listeners.append(listener)
    try:
        yield
    finally:
        _listeners.pop()
