"""How far lockstep sees a translation, learnt from states that pass.

A fault may show there too, where its wrong value does not matter later, so that a slip alone blinds nothing: only what
slips most of the time is taken for a place where the translation does not keep what the guest keeps.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from harness.engines.base import RETURN_ADDRESS, MachineState
from harness.explain.lockstep import Lockstep
from harness.explain.slips import Run
from interp.optable import Loc

#: Rounds in which variables and blind places are learnt.
_ROUNDS = 4
#: A place that is wrong this often after it was written is kept elsewhere; a tie that is missed so often is none.
_OFTEN = 0.6
#: Written so often at least before that is said of a place; ties that slip at least before anything is.
_LEAST = 3
#: Slips at a smaller share of all ties are faults of the translation, though the states pass.
_WIDESPREAD = 0.2
#: States that are looked at at least, however long they run.
_LEAST_STATES = 2
#: Lockstep is worth nothing where more than this share of what is written is kept elsewhere.
_TOO_BLIND = 0.3


@dataclass(frozen=True, slots=True)
class Calibration:
    """How far lockstep can be trusted: not at all where ``why`` is given.

    ``states`` that pass were looked at, at ``sightings`` ties; ``slipping`` counts those of the states that slipped
    somewhere all the same.
    """

    states: int
    sightings: int
    slipping: int = 0
    why: str = ""


def calibrate(lockstep: Lockstep, passing: Sequence[MachineState], most: int) -> tuple[Calibration, list[Run]]:
    """Teaches ``lockstep`` what it cannot see, by states that pass, until ``most`` ties were seen.

    Gives the last runs too.
    """
    runs: list[Run] = []
    for _ in range(_ROUNDS):
        known = (len(lockstep.variables.refuted), lockstep.blind.size)
        runs = []
        for state in passing:
            if len(runs) < _LEAST_STATES or sum(run.sightings for run in runs) < most:
                runs.append(lockstep.run(state, learning=True))
        lockstep.variables.judge()
        if known[0] == len(lockstep.variables.refuted):
            _blind(lockstep, runs)
        if known == (len(lockstep.variables.refuted), lockstep.blind.size):
            break
    written = sum((Counter(run.written) for run in runs), Counter[Loc]())
    hidden = sum(count for loc, count in written.items() if lockstep.blind.hides(loc))
    why = ""
    if hidden > _TOO_BLIND * sum(written.values()):
        why = "the C keeps registers where they cannot be seen"
    sightings, slipping = sum(run.sightings for run in runs), sum(bool(run.slips) for run in runs)
    return Calibration(len(runs), sightings, slipping, why), runs


def _blind(lockstep: Lockstep, runs: Sequence[Run]) -> None:
    """Takes out of sight what slips most of the time, if slips are all over the code."""
    visits = sum((Counter(run.visits) for run in runs), Counter[int]())
    slips = [slip for run in runs for slip in run.slips]
    if len({slip.at for slip in slips}) < max(_LEAST, _WIDESPREAD * len(visits)):
        return
    written = sum((Counter(run.written) for run in runs), Counter[Loc]())
    wrong = sum((Counter(run.wrong) for run in runs), Counter[Loc]())
    for loc, count in wrong.items():
        if loc[0] != "mem" and count >= _LEAST and count > _OFTEN * written[loc]:
            lockstep.blind.places.add(loc)
    missed = Counter(address for slip in slips if slip.went for address in slip.went if address != RETURN_ADDRESS)
    for address, count in missed.items():
        if count > _OFTEN * (visits[address] + count):
            lockstep.blind.passed_over.add(address)
