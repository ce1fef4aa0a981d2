"""The search for the shape of a function's inputs.

The function runs in the reference with only the image and a stack mapped. When it faults, the origin of the faulting
address says which input word must have been a pointer: it is given a block of its own, and the run is repeated. Words
that are added to a pointer, or that keep a loop from ending, are made small. Several rounds with different values for
everything else show what further places the function reads; what each round compared is learned as favourites, and
a round that took a branch in a new direction is kept as an example.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from functools import partial
from random import Random

from harness.abi import Abi
from harness.config.hints import Hint
from harness.engines.base import MachineState
from harness.program.model import Function, Program
from harness.states import values
from harness.states.code import constants_of
from harness.states.draw import Draft
from harness.states.expand import expand
from harness.states.findings import Findings
from harness.states.frontier import Aim, Direction, Frontier
from harness.states.inverse import Wanted
from harness.states.model import NOT_NULL, Kind, Place, Shape
from harness.states.readback import words_of
from harness.states.runner import Runner
from harness.states.trace import Trace
from interp.optable import decode
from interp.words import sext64

#: Rounds with new values for every scalar: the first is all zeros, the second all ones, the others are drawn.
_ROUNDS = 10
#: Rounds after the ends of buffers were told from their beginnings.
_LATE_ROUNDS = 3
#: A round in which all of memory that is not known to be something else is one long text.
_LONG_TEXT_ROUND = 2
_LONG_TEXT = b"A" * 96
#: Runs in one round because the last one read something for the first time.
_RERUNS = 3
#: Runs in one round that leave the path aimed at.
_MOST_STRAYS = 6
#: Repairs in one round: each makes one more word a pointer, a function or a count, or a block bigger.
_REPAIRS = 60
#: Units: bytes on either side of an address of the image that a wanted value is looked for.
_TABLE = 0x400
#: Units: traced instructions for aims at missing directions, once and for each direction of the function.
_AIM_FUEL, _AIM_FUEL_EACH = 30_000, 2_500
_MOST_BRANCHES = 40
#: Units: instructions of one run, traced; and of one that is only run to see whether it ends.
_RUN_FUEL = 10_000
_LONG_RUN = 30_000
#: Units: traced instructions of the whole search of one function.
_SEARCH_FUEL = 8_000
_REFUND = 40_000
#: What a run costs beside its instructions, in the same unit.
_RUN_COST = 50
_LONG_RUN_COST = 500
_IDLE_COST = 5
#: Runs that ended and are kept even though they went no way of their own.
_FEWEST_KEPT = 3
#: States that are tried out at the end, and how many of them should run to their end with nothing left open.
_TRIALS, _ENOUGH, _FEWEST_ENDED = 12, 8, 6

_Values = dict[Place, int]

_ONES = {Kind.FLOAT: 0x3F80_0000, Kind.DOUBLE: 0x3FF0_0000_0000_0000, Kind.DOUBLE_HIGH: 0x3FF0_0000}


def find_shape(program: Program, function: Function, abi: Abi, fr: bool, fuel: int = _SEARCH_FUEL) -> Shape:
    """What ``function`` reads, found by running it in the reference.

    Units: ``fuel`` in traced instructions over all runs. The result depends on the arguments alone.
    """
    return Search(program, function, abi, fr, fuel=fuel).shape


class Search:
    """The search for the shape of ``function``; it can go on from states that a check has tried.

    Without ``shapes`` it does not look for pointers: what the function reads is drawn at random. Without ``guided``
    nothing is aimed at missing branch directions. ``hints`` are what the user says of the arguments.
    """

    def __init__(
        self,
        program: Program,
        function: Function,
        abi: Abi,
        fr: bool,
        shapes: bool = True,
        guided: bool = True,
        hints: Sequence[Hint] = (),
        fuel: int = _SEARCH_FUEL,
    ) -> None:
        self._findings = Findings(program, function, abi, fr, hints, blind=not shapes)
        outside = program.around.for_search() if program.around else None
        self._asks_devices = outside is not None and bool(outside.windows)
        self._runner = Runner(program.code, fr, outside)
        self._constants = constants_of(program, function)
        self._entry = function.address
        self._fuel = fuel
        self._run_fuel = _RUN_FUEL
        self._directions: set[tuple[int, bool]] = set()
        self._kept: list[_Values] = []
        self._news = 0
        self.words = tuple(program.words(function))
        self._frontier = Frontier(function, self.words, partial(_table, program), self._findings.callees.all)
        self._branches = sum(_is_conditional(word) for _, word in self.words)
        self._guided = guided
        self._number = 0
        self._refund = _REFUND
        self._tried: set[int] = set()
        self._explore()
        self._confirm()
        self._findings.may_limit = False
        self._ended = -1
        self.shape = self._findings.shape(self._kept)
        if guided:
            self._turn_round(_AIM_FUEL + _AIM_FUEL_EACH * min(self._branches, _MOST_BRANCHES))
        self._take(self.shape, self._findings.shape(self._kept))

    def go_on(self, states: Iterable[MachineState], gone: Iterable[Direction]) -> bool:
        """Takes over states of the shape and the directions that they went, and aims at what is still missing.

        Says whether that was found: the shape has more kept runs then.
        """
        self._frontier.gone.update(gone)
        if not self._guided or not self._frontier.is_open():
            return False
        known = len(self._kept)
        self._fuel = _AIM_FUEL
        for state in states:
            self._number += 1
            self._round(self._number, self._findings.fitting.changed(words_of(self.shape, state), ()))
        self._turn_round(_AIM_FUEL_EACH * min(self._branches, _MOST_BRANCHES) // 2)
        if len(self._kept) == known:
            return False
        return self._take(self.shape, self._findings.shape(self._kept))

    def impossible(self) -> frozenset[tuple[int, bool]]:
        """Branch directions that no input of the function can make it go, as far as that is certain."""
        return frozenset() if self._asks_devices else self._frontier.impossible()

    def _explore(self) -> None:
        """Runs rounds with unrelated values until they bring nothing new."""
        idle = 0
        for number in range(_ROUNDS):
            known = self._news
            self._number = number
            self._round(number, {})
            idle = idle + 1 if self._news == known else 0
            if number > _LONG_TEXT_ROUND and idle > 2:
                break
        for number in range(_LATE_ROUNDS):
            self._findings.find_ends()
            self._number += 1
            self._round(_ROUNDS + number, {})

    def _confirm(self) -> None:
        """Repeats what was kept: a way that was gone while a pointer was still a number may not be there any more."""
        kept, self._kept = self._kept, []
        self._directions.clear()
        self._frontier.gone.clear()
        self._fuel = _RUN_FUEL * len(kept)
        for given in kept:
            self._number += 1
            self._round(self._number, self._findings.fitting.changed(given, ()))

    def _turn_round(self, fuel: int) -> None:
        """Repeats runs with a few words changed, so that a branch goes the way that it has not gone."""
        self._fuel = fuel
        while self._fuel > 0 and self._frontier.is_open():
            aim = self._frontier.next()
            if aim is None:
                break
            self._findings.find_ends()
            self._try(aim)  # where it asks for more of a linked structure, that becomes a ring
            if self._deepen(aim.wanted):
                self._try(aim)
            elif aim.goal not in self._frontier.gone and aim.path[-1:] == (aim.goal,):
                self._unroll(aim)

    def _deepen(self, wanted: Wanted) -> bool:
        """Makes linked structures longer; in the runs that were kept they stay as they were."""
        before = self._findings.growth.deepen(wanted)
        for held in self._kept:
            held.update({place: value for place, value in before.items() if place not in held})
        return bool(before)

    def _unroll(self, aim: Aim) -> None:
        """Puts an object more into the place of each ring: its one object was asked for different words at once."""
        rings = self._findings.growth.rings(aim.given)
        self._deepen(rings)
        places = {place for place, _ in rings}
        if places:
            given = {place: value for place, value in aim.given.items() if place not in places}
            self._try(replace(aim, given=given, mended=aim.mended + 1))

    def _try(self, aim: Aim) -> None:
        """Runs once with the words changed that an aim names."""
        adopted = self._findings.growth.adopt(aim.wanted)
        given = self._findings.fitting.changed(aim.given, aim.wanted)
        words = hash((frozenset(given.items()), self._findings.growth.blocks))
        if words in self._tried:  # a pointer stays what it is, or another aim asked for the same
            self._fuel -= _IDLE_COST
        else:
            self._tried.add(words)
            self._number += 1
            self._round(self._number, given, aim)
        self._findings.growth.give_back(adopted)

    def _ends_on_rings(self) -> bool:
        """Whether the function ends by itself when a linked structure does not."""
        if not self._findings.growth.has_ends():
            return False
        held: _Values = {}
        self._draw_missing(Random(0), 1, held)
        before = self._findings.state(held, rings=True)
        return self._runner.ending(before, self._entry, _RUN_FUEL) == "returned"

    def _take(self, known: Shape, found: Shape) -> bool:
        """Makes the shape that was found the one of the function; not where its states mostly trap, and others do not.

        What a function pointer leads to for the sake of one branch may ask for arguments that are right nowhere else.
        """
        rings = self._ends_on_rings()
        shape, ended = self._tamed(replace(found, rings=rings))
        if ended < _FEWEST_ENDED:
            if self._ended < 0:
                known, self._ended = self._tamed(replace(known, rings=rings))
            if ended < self._ended:
                self.shape = known
                return False
        self.shape, self._ended = shape, ended
        return True

    def _tamed(self, shape: Shape) -> tuple[Shape, int]:
        """The shape with values as wild as the function stands, and how many of some states run to their end."""
        best, most = shape, -1
        for tameness in range(4):
            candidate = replace(shape, tameness=tameness)
            states = [expand(candidate, Draft(seed)) for seed in range(_TRIALS)]
            ended = sum(self._runner.ending(state, self._entry, _LONG_RUN) == "returned" for state in states)
            if ended > most:
                best, most = candidate, ended
            if ended >= _ENOUGH:
                break
        return best, most

    def _round(self, number: int, given: _Values, aim: Aim | None = None) -> None:
        """Runs with one set of values until the function ends or nothing more can be mended."""
        rng = Random(number)
        held = dict(given)
        noted: list[_Values] = []
        reruns = strays = 0
        for _ in range(_REPAIRS):
            if self._fuel <= 0:
                return
            self._draw_missing(rng, number, held)
            text = _LONG_TEXT if number == _LONG_TEXT_ROUND else b""
            before = self._findings.state(held, text)
            trace = self._runner.trace(before, self._entry, self._run_fuel, self._findings.locate)
            self._fuel -= trace.steps + _RUN_COST
            grown = self._findings.learn(trace)
            whole = self._findings.fitting.completed(held, trace)
            self._frontier.note(trace, whole)
            noted.append(whole)
            if aim is not None and self._frontier.mend(aim, trace, whole):
                strays += 1
            if trace.counts:
                self._keep(trace, whole)
                if aim is None or held == given:  # a function that needed repairs would trap in most states
                    self._findings.callees.learn(
                        trace, held, {place for place in held if self._findings.kind(place) is Kind.FUNCTION}
                    )
            reruns += grown
            self._news += grown
            if trace.returned and (number == 0 or not grown or reruns > _RERUNS):
                return
            if strays > _MOST_STRAYS:
                return
            changed = set() if trace.returned else self._mend(trace, held, before)
            if changed and aim is not None:
                changed = changed - aim.pinned or changed
            if changed is None:
                return
            self._news += len(changed)
            if changed and self._refund > 0:  # a run that found something is free, up to a limit
                self._refund -= trace.steps + _RUN_COST
                self._fuel += trace.steps + _RUN_COST
            for place in sorted(changed):
                held.pop(place, None)
                kind = self._findings.kind(place)
                if kind is Kind.POINTER:
                    held[place] = NOT_NULL
                elif kind is Kind.COUNT:
                    held[place] = values.draw(rng, self._findings.input(place), self._constants)
                    for earlier in noted:  # what aims at a branch from there must not be as big again
                        earlier.pop(place, None)

    def _draw_missing(self, rng: Random, number: int, held: _Values) -> None:
        """Gives a value to each input that has none yet."""
        for item in self._findings.inputs():
            if item.place in held or item.fixed:
                continue
            if number == _LONG_TEXT_ROUND and item.place.room == "block" and item.kind is Kind.SCALAR:
                continue
            if item.kind is Kind.FUNCTION:
                held[item.place] = self._findings.callees.choose(item.place, number)
            elif item.kind is Kind.POINTER:
                held[item.place] = 0 if item.nullable and number > 1 and rng.random() < 0.25 else NOT_NULL
            elif item.kind is Kind.END:
                held[item.place] = 8 * rng.randrange(5)
            elif number < 2 and not item.values:
                held[item.place] = _ONES.get(item.kind, 1) if number else 0
            else:
                held[item.place] = values.draw(rng, item, self._constants)

    def _mend(self, trace: Trace, held: _Values, before: MachineState) -> set[Place] | None:
        """What to change so that the next run gets further than this one; None where nothing helps or is needed."""
        if trace.trap:
            return self._findings.callees.give_up(trace, held) or self._findings.repair(trace) or None
        self._fuel -= _LONG_RUN_COST
        ending = self._runner.ending(before, self._entry, _LONG_RUN)
        if ending in ("returned", "open"):
            self._keep(trace, self._findings.fitting.completed(held, trace))  # long, but it ends by itself
            return None
        if ending == "trap" and self._run_fuel < _LONG_RUN:
            self._run_fuel = _LONG_RUN
            self._fuel += _LONG_RUN
            return set()
        return self._findings.bound(trace) or None

    def _keep(self, trace: Trace, held: _Values) -> None:
        directions = {(address, taken) for address, record in trace.branches.items() for taken in record.directions}
        if not directions <= self._directions or len(self._kept) < _FEWEST_KEPT:
            self._directions |= directions
            self._kept.append(dict(held))
            self._news += 1


def _table(program: Program, address: int) -> tuple[int, bytes]:
    """The bytes of the image on both sides of an address, and where they begin."""
    for region in program.regions:
        if region.address <= address % (1 << 64) < region.end:
            start = max(0, address % (1 << 64) - region.address - _TABLE)
            return sext64(region.address + start), region.data[start : start + 2 * _TABLE]
    return address, b""


def _is_conditional(word: int) -> bool:
    insn = decode(word)
    return insn is not None and insn.conditional
