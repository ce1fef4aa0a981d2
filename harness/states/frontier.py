"""The frontier of a search: branches that were reached and went one way only, with the runs that reached them.

For each direction that is missing some runs are kept that came to its branch along different paths. An *aim* is one of
these runs with words changed so that the branch goes the other way; the direction tried least is aimed at first. An aim
that went astray before it reached the branch, or reached it and was not exact, is mended from where it ended.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

from harness.program.model import Function
from harness.states.inverse import Condition, Inverse, Table, Wanted, table_targets
from harness.states.loops import loops, repeated
from harness.states.model import Place
from harness.states.terms import NOWHERE
from harness.states.trace import Trace

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
_MOST_MENDED = 8
#: Longer than any path: repairs come before first tries, those nearest to the end of the path before the others.
_FIRST = 1 << 32


@dataclass(frozen=True, slots=True)
class _Run:
    """A run as it can be started again, and what its places held."""

    given: Mapping[Place, int]
    held: Mapping[Place, int]
    path: list[Condition]


@dataclass(frozen=True, slots=True)
class Aim:
    """A run to try: ``given`` words as they were, ``wanted`` ones changed, so that it goes along ``path``.

    ``pinned`` are all words changed since the first run, ``mended`` counts the repairs. ``goal`` is the missing
    direction for whose sake it is tried.
    """

    goal: Direction
    path: tuple[Direction, ...]
    given: Mapping[Place, int]
    wanted: Wanted
    pinned: frozenset[Place]
    mended: int = 0

    def mended_by(self, given: Mapping[Place, int], wanted: Wanted) -> Aim:
        """The aim once more, from where its own run came to, with further words changed."""
        places = frozenset(place for place, _ in wanted)
        return replace(self, given=given, wanted=wanted, pinned=self.pinned | places, mended=self.mended + 1)


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
    """A direction that is missing, and what may still be tried for it.

    ``most`` is how often one run came to its branch.
    """

    tried: int = 0
    most: int = 0
    attempts: list[_Attempt] = field(default_factory=list)
    detours: deque[Iterator[Aim]] = field(default_factory=deque)
    paths: set[int] = field(default_factory=set)
    callees: set[tuple[Place, int]] = field(default_factory=set)
    runs: list[tuple[_Run, int]] = field(default_factory=list)


class Frontier:
    """What is known about the branches of ``function`` and of those it calls."""

    def __init__(
        self, function: Function, words: Iterable[tuple[int, int]], table: Table, callees: Sequence[int]
    ) -> None:
        """``callees`` are the addresses that a function pointer may hold."""
        self._function = function
        self._callees = callees
        self._loops = list(loops(words))
        self._table = table
        self._goals: dict[Direction, _Goal] = {}
        self._serial = 0
        self.unsettled: set[int] = set()
        self.gone: set[Direction] = set()

    def note(self, trace: Trace, given: Mapping[Place, int]) -> None:
        """Takes over a run that was started with ``given``, from which words may be taken later."""
        run = _Run(given, trace.values, trace.path)
        gone = {(condition.address, int(condition.taken)) for condition in trace.path}
        if trace.counts:
            self.gone |= gone
            self.unsettled |= trace.unsettled
        visits: dict[Direction, list[tuple[int, int]]] = {}
        path = 0
        for position, condition in enumerate(trace.path):
            path = hash((path, condition.address, condition.taken))
            for missing in self._other_ways(condition):
                if missing not in self.gone:
                    visits.setdefault(missing, []).append((position, path))
        for missing, places in visits.items():
            goal = self._goals.setdefault(missing, _Goal())
            is_deeper = len(places) > goal.most
            goal.most = max(goal.most, len(places))
            for position, path in dict.fromkeys((*places[:_MOST_VISITS], places[-1])):
                has_room = len(goal.paths) < _MOST_PATHS or (is_deeper and position == places[-1][0])
                if has_room and path not in goal.paths:
                    goal.paths.add(path)
                    goal.runs.append((run, position))
                    self._add(goal, position, self._direct_aims(missing, run, position))

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
            aim = self._direct(goal) or self._detour(direction, goal)
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

    def _detour(self, direction: Direction, goal: _Goal) -> Aim | None:
        """The next aim at another way to the branch: from the newest run, and from an older one in its turn."""
        while goal.runs or goal.detours:
            if goal.runs:
                run, position = goal.runs.pop()  # of one run the visit that came through a loop most often
                goal.detours.append(self._detours(direction, run, position))
            detour = goal.detours.pop()
            aims = list(islice(detour, _DETOURS_AT_ONCE))
            goal.detours.appendleft(detour)
            if aims:
                goal.attempts = []
                self._add(goal, 0, iter(aims))
                return self._direct(goal)
            goal.detours.popleft()
        return None

    def mend(self, aim: Aim, trace: Trace, given: Mapping[Place, int]) -> bool:
        """Looks at where the run of an aim left the wanted path, and puts it back there if it can; says if it left."""
        run = _Run(dict(given), trace.values, trace.path)
        for position, (condition, way) in enumerate(zip(trace.path, aim.path, strict=False)):
            if condition.way != way:
                if condition.address == way[0] and aim.goal not in self.gone and aim.mended < _MOST_MENDED:
                    left = len(aim.path) - position
                    self._add(self._goals[aim.goal], left - _FIRST, self._mending(aim, run, position, way[1]))
                return True
        return False

    def _add(self, goal: _Goal, length: int, aims: Iterator[Aim]) -> None:
        self._serial += 1
        heapq.heappush(goal.attempts, _Attempt(0, length, self._serial, aims))

    def _aims(
        self, goal: Direction, run: _Run, position: int, path: tuple[Direction, ...], mended: int = 0
    ) -> Iterator[Aim]:
        """Aims at ``path``, which ``run`` left, or ended on, at ``position``."""
        for wanted in Inverse(run.held, self._table).flips(run.path[position], path[position][1]):
            yield Aim(goal, path, run.given, wanted, frozenset(place for place, _ in wanted), mended)

    def _direct_aims(self, goal: Direction, run: _Run, position: int) -> Iterator[Aim]:
        yield from self._aims(goal, run, position, _ways(run, position, goal))

    def _mending(self, aim: Aim, run: _Run, position: int, way: int) -> Iterator[Aim]:
        """Turns the condition round at which a run left the path, by words that were not changed before if it can."""
        again: list[Wanted] = []
        for wanted in Inverse(run.held, self._table).flips(run.path[position], way):
            places = frozenset(place for place, _ in wanted)
            if places & aim.pinned and position + 1 < len(aim.path):
                again.append(wanted)
            else:
                yield aim.mended_by(run.given, wanted)
        for wanted in again:
            yield aim.mended_by(run.given, wanted)

    def _detours(self, goal: Direction, run: _Run, position: int) -> Iterator[Aim]:
        """Other ways to the branch.

        The loop that it is in goes on for as long as it can; the conditions behind it, which may have ended its loop,
        and before it are turned round, the nearest first.
        """
        if again := repeated(run.path, run.held, position):
            yield Aim(goal, _ways(run, position, goal), run.given, again, frozenset(), _MOST_MENDED)
        yield from self._other_callees(goal, run, position)
        behind = range(position + 1, min(position + 1 + _MOST_BEHIND, len(run.path)))
        count = 0
        for turned in (*behind, *range(position - 1, -1, -1)):
            condition = run.path[turned]
            if all(operand is NOWHERE for operand in condition.made.operands):
                continue
            for way in self._other_ways(condition)[:1]:
                yield from islice(self._aims(goal, run, turned, _ways(run, turned, way), _MOST_MENDED), 2)
            count += 1
            if count == _MOST_DETOURS:
                return

    def _other_callees(self, goal: Direction, run: _Run, position: int) -> Iterator[Aim]:
        """Calls on the way to the branch, through words that are inputs, lead elsewhere: each once for a goal."""
        tried = self._goals[goal].callees
        for condition in reversed(run.path[:position]):
            place = condition.made.operands[0].alone if condition.made.name == "jalr" else None
            if place is None:
                continue
            for target in self._callees:
                if target != condition.taken and (place, target) not in tried:
                    tried.add((place, target))
                    yield Aim(goal, (), run.given, ((place, target),), frozenset(), _MOST_MENDED)

    def _is_own(self, direction: Direction) -> bool:
        return self._function.address <= direction[0] < self._function.end


def _ways(run: _Run, position: int, last: Direction) -> tuple[Direction, ...]:
    """The path of ``run`` up to ``position``, and there another way."""
    return (*(condition.way for condition in run.path[:position]), last)
