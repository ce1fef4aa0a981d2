"""From slips to suspects: which instruction of a step the C got wrong, and how often over all states."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from harness.engines.replay import Step
from harness.explain.slips import Run, Slip
from interp.optable import Loc


@dataclass(slots=True)
class Suspect:
    """An instruction that may be wrong in the C.

    ``evidence`` are pairs of the slip and the executed instruction in it; ``failing`` and ``passing`` the numbers of
    states in which there is some. ``alone`` says that every step in evidence held no other instruction that could be.
    """

    address: int
    evidence: list[tuple[Slip, Step]] = field(default_factory=list)
    failing: set[int] = field(default_factory=set)
    passing: set[int] = field(default_factory=set)
    alone: bool = True


def suspects(failing: Sequence[Run], passing: Sequence[Run]) -> list[Suspect]:
    """Suspects of all slips, the likeliest first."""
    found: dict[int, Suspect] = {}
    for number, run in enumerate(failing):
        for slip in run.slips:
            blamed = blame(slip)
            for step in blamed:
                one = found.setdefault(step.address, Suspect(step.address))
                one.failing.add(number)
                one.evidence.append((slip, step))
                one.alone &= len(blamed) == 1
    for number, run in enumerate(passing):
        for address in {step.address for slip in run.slips for step in blame(slip)}:
            if address in found:
                found[address].passing.add(number)
    _give_back(found)
    order = {address: n for n, address in enumerate(found)}

    def key(one: Suspect) -> tuple[float, int]:
        shown = len(one.failing) / max(len(failing), 1) - len(one.passing) / max(len(passing), 1)
        return -shown, order[one.address]

    return sorted(found.values(), key=key)


def blame(slip: Slip) -> list[Step]:
    """The instructions of a step that are to blame, the first first: those whose own operands were still right."""
    steps = [step for step in slip.steps if step.insn is not None]
    blamed: set[int] = set()
    for loc in slip.wrong:
        writers = [n for n, step in enumerate(steps) if loc in step.writes]
        blamed |= set(writers[-1:])
    if slip.went is not None:
        ways = [n for n, step in enumerate(steps) if step.insn and step.insn.row.kind.has_slot]
        blamed |= set(ways[-1:])
    if slip.ended or not blamed:
        blamed |= set(_strays(steps, slip.wrong))
    blamed = {_skipper(steps, n, slip) for n in blamed}
    firsts = [n for n in sorted(blamed) if not _depends(steps, n, blamed - {n})]
    return [steps[n] for n in firsts]


def _skipper(steps: Sequence[Step], number: int, slip: Slip) -> int:
    """The branch in front of a delay slot whose work was not done at all where the branch is not taken."""
    before = steps[number - 1] if number else None
    if before is None or before.insn is None or before.taken or not before.insn.conditional:
        return number
    in_slot = before.address == steps[number].address - 4
    return number - 1 if in_slot and steps[number].writes.keys() <= slip.unchanged else number


def _give_back(found: dict[int, Suspect]) -> None:
    """Takes from branches what a wrong delay slot explains, which was blamed elsewhere with its branch going right.

    Where the wrong value of a slot is the old one by chance, it looks as if it had been skipped.
    """
    for address, branch in list(found.items()):
        slot = found.get(address + 4)
        wrong_way = any(slip.went is not None or slip.ended for slip, _ in branch.evidence)
        if slot is None or wrong_way or not all(step.insn and step.insn.conditional for _, step in branch.evidence):
            continue
        for slip, _ in branch.evidence:
            slot.evidence += [(slip, step) for step in slip.steps if step.address == slot.address]
        slot.failing |= branch.failing
        slot.passing |= branch.passing
        slot.alone &= branch.alone
        del found[address]


def _strays(steps: Sequence[Step], wrong: Iterable[Loc]) -> list[int]:
    """Which instructions may have written where the guest does not write, or not come to an end."""
    stores = [n for n, step in enumerate(steps) if step.access and step.access[2]]
    if stores and all(loc[0] == "mem" for loc in wrong):
        return stores
    return list(range(len(steps)))


def _depends(steps: Sequence[Step], number: int, others: set[int]) -> bool:
    """Whether instruction ``number`` of a step used what one of the ``others`` before it made."""
    needed = set(steps[number].reads)
    for n in range(number - 1, -1, -1):
        if needed & steps[n].writes.keys():
            if n in others:
                return True
            needed |= steps[n].reads.keys()
    return False
