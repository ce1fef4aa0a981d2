"""The frontier of a search: branches that were reached and went one way only, with the runs that reached them.

For each direction that is missing some runs are kept that came to its branch along different paths. An *aim* is one of
these runs with words changed so that the branch goes the other way; the direction tried least is aimed at first. An aim
that went astray before it reached the branch, or reached it and was not exact, is mended from where it ended.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice

from harness.program.model import Function
from harness.states.inverse import Condition, Inverse, Table, Wanted, table_targets
from harness.states.model import Place
from harness.states.terms import NOWHERE
from harness.states.trace import Trace
from interp.optable import Kind, decode

#: A branch and the way it goes; a jump through a table and its target.
Direction = tuple[int, int]

#: Paths that are kept for one direction, and executions of one branch in one run that are looked at.
_MOST_PATHS = 40
_MOST_VISITS = 12
#: Conditions on the way to a branch that are turned round where nothing is known to turn the branch itself.
_MOST_DETOURS = 12
_MOST_BEHIND = 6
_DETOURS_AT_ONCE = 4
_IN_A_ROW = 3
_MOST_MENDED = 4
_MENDS_EACH = 3


@dataclass(frozen=True, slots=True)
class _Run:
    """A run as it can be started again, and what its places held."""

    given: Mapping[Place, int]
    held: Mapping[Place, int]
    path: list[Condition]


@dataclass(frozen=True, slots=True)
class Aim:
    """A run to try: ``given`` words as they were, ``wanted`` ones changed, so that it comes to ``direction``.

    ``run`` and ``position`` say at which branch of which run it is to leave the path; ``pinned`` are all words changed
    since the first run, ``mended`` counts the repairs.
    """

    direction: Direction
    given: Mapping[Place, int]
    wanted: Wanted
    run: _Run
    position: int
    pinned: frozenset[Place]
    mended: int = 0


@dataclass(slots=True, order=True)
class _Attempt:
    """The aims from one run, by how often it was used already, a few times in a row, and how long it is.

    ``serial`` keeps the order total.
    """

    turns: int
    length: int
    serial: int
    aims: Iterator[Aim] = field(compare=False)
    used: int = field(default=0, compare=False)


@dataclass(slots=True)
class _Goal:
    """A direction that is missing, and what may still be tried for it."""

    tried: int = 0
    attempts: list[_Attempt] = field(default_factory=list)
    detours: deque[Iterator[Aim]] = field(default_factory=deque)
    paths: set[int] = field(default_factory=set)
    runs: list[tuple[_Run, int]] = field(default_factory=list)


class Frontier:
    """What is known about the branches of ``function`` and of those it calls."""

    def __init__(self, function: Function, words: Iterable[tuple[int, int]], table: Table) -> None:
        self._function = function
        self._loops = list(_loops(words))
        self._table = table
        self._goals: dict[Direction, _Goal] = {}
        self._serial = 0
        self.unsettled: set[int] = set()
        self.gone: set[Direction] = set()

    def note(self, trace: Trace, given: Mapping[Place, int]) -> None:
        """Takes over a run that was started with ``given``."""
        run = _Run(dict(given), trace.values, trace.path)
        gone = {(condition.address, int(condition.taken)) for condition in trace.path}
        if trace.counts:
            self.gone |= gone
            self.unsettled |= trace.unsettled
        visits: dict[Direction, int] = {}
        path = 0
        for position, condition in enumerate(trace.path):
            path = hash((path, condition.address, condition.taken))
            for missing in self._other_ways(condition):
                if missing in self.gone:
                    continue
                visits[missing] = visits.get(missing, 0) + 1
                goal = self._goals.setdefault(missing, _Goal())
                if visits[missing] <= _MOST_VISITS and len(goal.paths) < _MOST_PATHS and path not in goal.paths:
                    goal.paths.add(path)
                    goal.runs.append((run, position))
                    self._add(goal, position, self._aims(missing, run, position, frozenset()))

    def _other_ways(self, condition: Condition) -> list[Direction]:
        """The directions that a run did not take there; nobody wants a trap."""
        name = condition.made.name
        if name in ("jr", "jalr"):
            targets = table_targets(condition, self._table, self._function.address, self._function.end)
            return [(condition.address, target) for target in targets if target != condition.taken]
        return [] if name[0] == "t" and not condition.taken else [(condition.address, 1 - condition.taken)]

    def is_open(self) -> bool:
        """Whether a direction of the function itself is missing at a branch that was reached."""
        return any(self._is_own(direction) and direction not in self.gone for direction in self._goals)

    def impossible(self) -> frozenset[tuple[int, bool]]:
        """Directions missing at branches that ran before any input had decided anything, whatever the inputs were.

        A branch in a loop counts only where no input ever decided anything.
        """
        missing = {d for d in self._goals if self._is_own(d) and d not in self.gone and (d[0], 1 - d[1]) in self.gone}
        return frozenset(
            (d[0], bool(d[1])) for d in missing if d[0] not in self.unsettled and not self._is_repeated(d[0])
        )

    def _is_repeated(self, address: int) -> bool:
        """Whether a later branch leads back to ``address`` or before it, and some input decided something."""
        return bool(self.unsettled) and any(start <= address <= end for start, end in self._loops)

    def next(self) -> Aim | None:
        """The next aim: at the function's own branches before those of its callees, the least tried first."""
        open_goals = [
            (not self._is_own(direction), goal.tried, direction)
            for direction, goal in self._goals.items()
            if direction not in self.gone and (goal.attempts or goal.runs or goal.detours)
        ]
        for _, _, direction in sorted(open_goals):
            goal = self._goals[direction]
            aim = self._direct(goal) or self._detour(goal)
            if aim is not None:
                goal.tried += 1
                return aim
        return None

    def _direct(self, goal: _Goal) -> Aim | None:
        """The next aim at the branch itself, from the run that was used least."""
        while goal.attempts:
            attempt = heapq.heappop(goal.attempts)
            aim = next(attempt.aims, None)
            if aim is not None:
                attempt.used += 1
                attempt.turns = attempt.used // _IN_A_ROW
                heapq.heappush(goal.attempts, attempt)
                return aim
        return None

    def _detour(self, goal: _Goal) -> Aim | None:
        """The next aim at another way to the branch: from the newest run, and from an older one in its turn."""
        while goal.runs or goal.detours:
            if goal.runs:
                run, position = goal.runs.pop()  # of one run the visit that came through a loop most often
                goal.detours.append(self._detours(run, position))
            detour = goal.detours.pop()
            aims = list(islice(detour, _DETOURS_AT_ONCE))
            goal.detours.appendleft(detour)
            if aims:
                goal.attempts = []
                self._add(goal, 0, iter(aims))
                return self._direct(goal)
            goal.detours.popleft()
        return None

    def mend(self, aim: Aim, trace: Trace, given: Mapping[Place, int]) -> None:
        """Looks at where the run of an aim left the wanted path, and puts it back there if it can."""
        if aim.direction in self.gone or aim.mended >= _MOST_MENDED:
            return
        wanted = [*((c.address, c.taken) for c in aim.run.path[: aim.position]), aim.direction]
        run = _Run(dict(given), trace.values, trace.path)
        for position, (condition, way) in enumerate(zip(trace.path, wanted, strict=False)):
            if (condition.address, condition.taken) != way:
                if condition.address == way[0]:
                    self._add(self._goals[aim.direction], -1, self._mending(aim, run, position, way[1]))
                return

    def _add(self, goal: _Goal, length: int, aims: Iterator[Aim]) -> None:
        self._serial += 1
        heapq.heappush(goal.attempts, _Attempt(0, length, self._serial, aims))

    def _aims(
        self, direction: Direction, run: _Run, position: int, pinned: frozenset[Place], mended: int = 0
    ) -> Iterator[Aim]:
        for wanted in Inverse(run.held, self._table).flips(run.path[position], direction[1]):
            places = frozenset(place for place, _ in wanted)
            yield Aim(direction, run.given, wanted, run, position, pinned | places, mended)

    def _mending(self, aim: Aim, run: _Run, position: int, way: int) -> Iterator[Aim]:
        """Turns the condition round at which a run left the path, by other words than those changed so far."""
        exact = position == aim.position
        count = 0
        for wanted in Inverse(run.held, self._table).flips(run.path[position], way):
            places = frozenset(place for place, _ in wanted)
            if places & aim.pinned and not exact:
                continue
            count += 1
            if count > _MENDS_EACH:
                return
            yield Aim(aim.direction, run.given, wanted, aim.run, aim.position, aim.pinned | places, aim.mended + 1)

    def _detours(self, run: _Run, position: int) -> Iterator[Aim]:
        """Other ways to the branch: the conditions behind it and before it are turned round, the nearest first.

        Those behind it are what ended a loop that the branch is in.
        """
        behind = range(position + 1, min(position + 1 + _MOST_BEHIND, len(run.path)))
        count = 0
        for turned in (*behind, *range(position - 1, -1, -1)):
            condition = run.path[turned]
            if all(operand is NOWHERE for operand in condition.made.operands):
                continue
            for direction in self._other_ways(condition)[:1]:
                yield from islice(self._aims(direction, run, turned, frozenset(), _MOST_MENDED), 2)
            count += 1
            if count == _MOST_DETOURS:
                return

    def _is_own(self, direction: Direction) -> bool:
        return self._function.address <= direction[0] < self._function.end


def _loops(words: Iterable[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """Where branches and jumps lead back: (target, address)."""
    for address, word in words:
        insn = decode(word)
        if insn is None or insn.row.links or insn.row.kind not in (Kind.BRANCH, Kind.LIKELY, Kind.JUMP):
            continue
        if insn.target(address) <= address:
            yield insn.target(address), address
