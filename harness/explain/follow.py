"""The reference beside the C: one instruction at a time, and put right wherever it is told what the C holds.

The C cannot be started in the middle of a function, the reference can: from what the C holds at one tie it goes to the
next, and what it comes to there is what the C should hold.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.engines import registers
from harness.engines.base import MachineState, Target
from harness.engines.reference import Reference
from harness.engines.replay import Step
from interp.events import WARNINGS, heard_by
from interp.machine import Registers
from interp.optable import Kind, Loc
from interp.words import sext32, sext64


class Follower:
    """A traced run that knows what it will execute next: ``next``, which is a delay slot where ``in_slot`` is set.

    ``opened`` is the first thing the manual leaves open that was met since the last ``put``; ``ended`` says that there
    is nothing more to execute.
    """

    def __init__(self, target: Target, before: MachineState, fuel: int) -> None:
        self._reference = Reference()
        self._reference.load(target)
        self._fuel = fuel
        self._steps: Iterator[Step] = self._reference.steps(before, fuel)
        self._guest = self._reference.guest(before.fr)
        self._pending: int | None = None
        self.next = target.entry
        self.opened = ""
        self.ended = False

    @property
    def in_slot(self) -> bool:
        """Whether the next instruction is the delay slot of the last one."""
        return self._pending is not None

    def advance(self) -> Step | None:
        """Executes the next instruction; None where the run has ended."""
        if self.ended:
            return None
        with heard_by(self._note):
            step = next(self._steps, None)
        if step is None or step.trap:
            self.ended = True
            return step
        self._fuel -= 1
        self._check_words(step)
        self._go_on(step)
        return step

    def _go_on(self, step: Step) -> None:
        """Finds out what comes after ``step``."""
        insn, address = step.insn, step.address
        if insn is None:  # all that an external did is one step
            self.next, self._pending = self.get(("gpr", 31)), None
        elif self._pending is not None:
            self.next, self._pending = self._pending, None
        elif insn.row.kind is Kind.LIKELY and not step.taken:
            self.next = address + 8
        else:
            self.next = address + 4
            if insn.row.kind is Kind.INDIRECT:
                self._pending = step.reads["gpr", insn.s]
            elif insn.row.kind.has_slot:
                self._pending = insn.target(address) if step.taken else address + 8

    def _check_words(self, step: Step) -> None:
        """Notes an operand that is no word where a word is wanted."""
        if step.insn is None:
            return
        for name in step.insn.row.word:
            value = step.reads.get(step.insn.loc(name), 0)
            if sext64(value) != sext32(sext64(value)):
                self._note("non-canonical-operand")

    def _note(self, kind: str) -> None:
        if kind not in WARNINGS:
            self.opened = self.opened or kind

    def get(self, loc: Loc) -> int:
        """The unsigned value of a register."""
        return registers.get(self._guest.machine, loc)

    def registers(self) -> Registers:
        """All registers, unsigned."""
        return self._guest.machine.get_state()

    def stale_halves(self) -> frozenset[int]:
        """The FPRs whose upper half the manual leaves open."""
        return self._guest.machine.stale_halves

    def read(self, address: int, size: int) -> bytes:
        """Bytes of the guest's memory."""
        return self._guest.memory.read(address, size)

    def put(self, loc: Loc, value: int) -> None:
        """Gives a register or a byte of memory the value that the C has."""
        if loc[0] == "mem":
            self._guest.memory.store(sext64(loc[1]), 1, value)
        else:
            registers.put(self._guest.machine, loc, value)

    def restart(self, address: int) -> None:
        """Goes on at ``address``, where the C went."""
        self._steps = self._guest.steps(address, max(self._fuel, 1))
        self.next, self._pending, self.ended = address, None, False
