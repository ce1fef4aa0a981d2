"""The bins of a probe: what has to be tried of it, and how often it was.

A bin is a statement about one state: "s: minus one, t: power of two, towards zero". The usual form of an opcode by
itself has a bin for every combination of classes of its first two operands (and every rounding mode, where it rounds);
other forms and roles one for each class of each operand. Outcomes of the run have bins of their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from random import Random

from harness.opcodes.classes import class_of, names, value_in
from harness.opcodes.probe import PLAIN, Operand, Probe

ROUNDINGS = ("nearest", "towards zero", "upward", "downward")  # by the RM field of FCR31 (R4K p. 163)

#: An unsigned value for each operand, and the rounding mode.
Values = tuple[tuple[int, ...], int]
#: The class of each operand, and the rounding mode.
Classes = tuple[tuple[str, ...], int]


@dataclass(frozen=True, slots=True)
class BinList:
    """What of a probe's bins a state can fall into.

    ``joint`` are the numbers of the operands whose classes count in combination; any others count alone.
    """

    operands: tuple[Operand, ...]
    joint: tuple[int, ...]
    modes: tuple[int, ...]

    @classmethod
    def of(cls, probe: Probe) -> BinList:
        """The bins of ``probe``."""
        whole = probe.role == PLAIN and probe.form == "distinct"
        joint = tuple(range(min(2, len(probe.operands)))) if whole else ()
        return cls(probe.operands, joint, tuple(range(4)) if probe.rounds else (0,))

    def all(self) -> Iterator[str]:
        """Every bin, in order."""
        if self.joint:
            for classes, mode in self._together():
                yield self._joint_name(classes, mode)
        for number, operand in enumerate(self.operands):
            if number not in self.joint:
                yield from (f"{operand.name}: {name}" for name in names(operand.kind))
        if not self.joint and len(self.modes) > 1:
            yield from (ROUNDINGS[mode] for mode in self.modes)

    def hit(self, values: Values) -> Iterator[str]:
        """The bins that a state with these values falls into."""
        classes = [class_of(o.kind, value) for o, value in zip(self.operands, values[0], strict=True)]
        if self.joint:
            yield self._joint_name([classes[n] for n in self.joint], values[1])
        for number, operand in enumerate(self.operands):
            if number not in self.joint:
                yield f"{operand.name}: {classes[number]}"
        if not self.joint and len(self.modes) > 1:
            yield ROUNDINGS[values[1]]

    def lattice(self, rng: Random) -> list[Classes]:
        """Classes that fall into every bin at least once, in an order that mixes them from the beginning."""
        combinations = list(self._combinations(rng))
        rng.shuffle(combinations)
        return combinations

    def values(self, classes: Classes, rng: Random) -> Values:
        """Values in the given classes."""
        pairs = zip(self.operands, classes[0], strict=True)
        return tuple(value_in(operand.kind, name, rng) for operand, name in pairs), classes[1]

    def anything(self, rng: Random) -> Values:
        """Values in classes of chance."""
        return self.values((tuple(rng.choice(names(o.kind)) for o in self.operands), rng.choice(self.modes)), rng)

    def _combinations(self, rng: Random) -> Iterator[Classes]:
        """The classes of all operands: the joint ones in every combination, each other one in turn."""
        classes = [names(operand.kind) for operand in self.operands]
        if self.joint:
            rest = [_in_turn(classes[n], rng) for n in range(len(self.joint), len(classes))]
            for chosen, mode in self._together():
                yield (*chosen, *map(next, rest)), mode
            return
        turns = [_in_turn(one, rng) for one in classes]
        for number in range(max([len(self.modes), *map(len, classes)])):
            yield tuple(map(next, turns)), self.modes[number % len(self.modes)]

    def _together(self) -> Iterator[Classes]:
        """The classes of the joint operands in every combination, in every mode."""
        return product(product(*(names(self.operands[n].kind) for n in self.joint)), self.modes)

    def _joint_name(self, classes: Sequence[str], mode: int) -> str:
        parts = [f"{self.operands[n].name}: {name}" for n, name in zip(self.joint, classes, strict=True)]
        return ", ".join([*parts, *([ROUNDINGS[mode]] if len(self.modes) > 1 else [])])


def _in_turn(classes: tuple[str, ...], rng: Random) -> Iterator[str]:
    """The classes for ever, every round in another order."""
    while True:
        yield from rng.sample(classes, len(classes))
