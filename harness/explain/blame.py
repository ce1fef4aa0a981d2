"""From slips to suspects: which instruction of a step the C got wrong, and how often over all states."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from harness.engines.replay import Step
from harness.explain.slips import Run, Slip
from interp.optable import Kind, Loc


@dataclass(slots=True)
class Suspect:
    """An instruction that may be wrong in the C.

    ``evidence`` are pairs of the slip and the executed instruction in it; ``failing`` and ``passing`` the numbers of
    states in which there is some. ``alone`` says that in no step in evidence another instruction could be wrong in its
    place, ``carried`` that the C worked on with a wrong result of it. ``instead`` are instructions before it whose
    results it used and no tie shows.
    """

    address: int
    evidence: list[tuple[Slip, Step]] = field(default_factory=list)
    failing: set[int] = field(default_factory=set)
    passing: set[int] = field(default_factory=set)
    alone: bool = True
    carried: bool = False
    instead: set[int] = field(default_factory=set)


def suspects(failing: Sequence[Run], passing: Sequence[Run]) -> list[Suspect]:
    """Suspects of all slips, the likeliest first."""
    found: dict[int, Suspect] = {}
    for number, run in enumerate(failing):
        for slip in run.slips:
            blamed = blame(slip)
            unseen = _unseen(slip, blamed)
            apart = not unseen and (len(blamed) == 1 or _is_wrong_for_itself(slip))
            for step in (*blamed, *unseen):
                one = found.setdefault(step.address, Suspect(step.address))
                one.failing.add(number)
                one.evidence.append((slip, step))
                one.alone &= apart and not _uses_the_link(step)
                one.carried |= slip.carried
                one.instead |= {other.address for other in unseen} - {one.address}
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
        way = next((n for n in reversed(range(len(steps))) if _has_slot(steps[n])), None)
        if way is not None:  # what comes behind its slot is where the C did not go, and a likely slot goes with it
            behind = way + (not _is(steps[way], Kind.LIKELY))
            blamed = {n for n in blamed if n <= behind} | {_leader(steps, way, slip)}
    if slip.ended or not blamed:
        reached = [n for n, step in enumerate(steps) if step.address == slip.last]
        blamed |= set(_strays(steps, slip.wrong, reached[-1] if slip.ended and reached else 0))
    blamed = {_skipper(steps, n, slip) for n in blamed}
    firsts = [n for n in sorted(blamed) if not _depends(steps, n, blamed - {n})]
    return [steps[n] for n in firsts]


def _leader(steps: Sequence[Step], way: int, slip: Slip) -> int:
    """What led the C elsewhere: the branch or jump ``way``, or its slot where that goes where the branch cannot go."""
    branch = steps[way]
    if slip.went is None or branch.insn is None or not branch.insn.conditional or way + 1 >= len(steps):
        return way
    ways = branch.insn.target(branch.address), branch.address + 8
    return way if slip.went[1] in ways or slip.last != steps[way + 1].address else way + 1


def _is_wrong_for_itself(slip: Slip) -> bool:
    """Whether each instruction to blame in a step is wrong, and none of them could be instead of another.

    That needs a place or a way for each that nothing but itself decides.
    """
    if slip.ended or not (slip.wrong.keys() & {loc for step in slip.steps for loc in step.writes}):
        return False
    ways = [step for step in slip.steps if _has_slot(step)]
    return len(ways) == 1 if slip.went is not None else not any(one.insn and one.insn.conditional for one in ways)


def _has_slot(step: Step) -> bool:
    return step.insn is not None and step.insn.row.kind.has_slot


def _is(step: Step, kind: Kind) -> bool:
    return step.insn is not None and step.insn.row.kind is kind


def _uses_the_link(step: Step) -> bool:
    """Whether what an instruction does hangs on the link of an LL, which no tie shows."""
    return _is(step, Kind.STORE) and bool(step.insn and step.insn.row.results)


def _unseen(slip: Slip, blamed: Sequence[Step]) -> list[Step]:
    """The instructions of a step whose results the ``blamed`` ones used and that were overwritten before the next tie.

    They may be wrong instead, for nothing shows that they were right.
    """
    found: list[Step] = []
    wanted: set[Loc] = set()
    written: set[Loc] = set()
    for step in reversed(slip.steps):
        if any(step is one for one in blamed):
            wanted = wanted - step.writes.keys() | step.reads.keys()
        elif wanted & written & step.writes.keys():
            found.append(step)
            wanted = wanted - step.writes.keys() | step.reads.keys()
        else:
            wanted -= step.writes.keys()
        written |= step.writes.keys()
    return found


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
        if slot is None or not all(_may_be_of_slot(slip, step, slot.address) for slip, step in branch.evidence):
            continue
        for slip, _ in branch.evidence:
            slot.evidence += [(slip, step) for step in slip.steps if step.address == slot.address]
        slot.failing |= branch.failing
        slot.passing |= branch.passing
        slot.alone &= branch.alone
        del found[address]


def _may_be_of_slot(slip: Slip, step: Step, slot: int) -> bool:
    """Whether a step for which a branch is blamed went the right way and through its slot."""
    right = slip.went is None and not slip.ended and step.insn is not None and step.insn.conditional
    return right and any(one.address == slot for one in slip.steps)


def _strays(steps: Sequence[Step], wrong: Iterable[Loc], first: int) -> list[int]:
    """Which instructions from the first may have written where the guest does not write, or not come to an end."""
    stores = [n for n, step in enumerate(steps) if n >= first and step.access and step.access[2]]
    if stores and all(loc[0] == "mem" for loc in wrong):
        return stores
    return list(range(first, len(steps)))


def _depends(steps: Sequence[Step], number: int, others: set[int]) -> bool:
    """Whether instruction ``number`` of a step used what one of the ``others`` before it made."""
    needed = set(steps[number].reads)
    for n in range(number - 1, -1, -1):
        if needed & steps[n].writes.keys():
            if n in others:
                return True
            needed |= steps[n].reads.keys()
    return False
