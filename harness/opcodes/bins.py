"""The bins of a probe: what has to be tried of it, and how often it was.

A bin is a statement about one state: "s: minus one, t: power of two, towards zero". The usual form of an opcode by
itself has a bin for every combination of classes of its first two operands (and every rounding mode, where it rounds);
other forms and roles one for each class of each operand. Values that meet have bins of their own: two operands that are
equal, and an operand at the immediate or next to it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from random import Random

from harness.opcodes.classes import class_of, names, value_in, width
from harness.opcodes.probe import PLAIN, Operand, Probe

ROUNDINGS = ("nearest", "towards zero", "upward", "downward")  # by the RM field of FCR31 (R4K p. 163)

#: An unsigned value for each operand, and the rounding mode.
Values = tuple[tuple[int, ...], int]
#: The class of each operand, and the rounding mode.
Classes = tuple[tuple[str, ...], int]


@dataclass(frozen=True, slots=True)
class Meeting:
    """A bin of values that meet: the first operand equals the second one, or a number.

    Widths: ``value`` is unsigned and as wide as the operand; None stands for the second operand.
    """

    name: str
    value: int | None

    def holds(self, values: tuple[int, ...]) -> bool:
        """Whether these values meet."""
        return values[0] == (values[1] if self.value is None else self.value)

    def made(self, values: tuple[int, ...]) -> tuple[int, ...]:
        """These values with the first one changed so that they do."""
        return (values[1] if self.value is None else self.value, *values[1:])


@dataclass(frozen=True, slots=True)
class BinList:
    """What of a probe's bins a state can fall into.

    ``joint`` are the numbers of the operands whose classes count in combination; any others count alone.
    """

    operands: tuple[Operand, ...]
    joint: tuple[int, ...]
    modes: tuple[int, ...]
    meetings: tuple[Meeting, ...]

    @classmethod
    def of(cls, probe: Probe) -> BinList:
        """The bins of ``probe``."""
        whole = probe.role == PLAIN and probe.form == "distinct"
        joint = tuple(range(min(2, len(probe.operands)))) if whole else ()
        return cls(probe.operands, joint, tuple(range(4)) if probe.rounds else (0,), tuple(_meetings(probe)))

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
        yield from (meeting.name for meeting in self.meetings)

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
        yield from (meeting.name for meeting in self.meetings if meeting.holds(values[0]))

    def lattice(self, rng: Random) -> list[Classes | Meeting]:
        """What falls into every bin at least once, in an order that mixes them from the beginning."""
        every: list[Classes | Meeting] = [*self._combinations(rng), *self.meetings]
        rng.shuffle(every)
        return every

    def values(self, wanted: Classes | Meeting, rng: Random) -> Values:
        """Values in the given classes, or that meet."""
        if isinstance(wanted, Meeting):
            values, mode = self.anything(rng)
            return wanted.made(values), mode
        pairs = zip(self.operands, wanted[0], strict=True)
        return tuple(value_in(operand.kind, name, rng) for operand, name in pairs), wanted[1]

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


def _meetings(probe: Probe) -> Iterator[Meeting]:
    """The meetings of a probe's first operand."""
    if not probe.operands:
        return
    first = probe.operands[0]
    if len(probe.operands) > 1 and first.kind is probe.operands[1].kind:
        yield Meeting(f"{first.name} equals {probe.operands[1].name}", None)
    if probe.immediate is None:
        return
    mask = (1 << width(first.kind)) - 1
    near = {"the immediate": 0, "one below the immediate": -1, "one above the immediate": 1}
    for name, distance in near.items():
        yield Meeting(f"{first.name}: {name}", probe.immediate + distance & mask)
    if probe.immediate < 0:
        yield Meeting(f"{first.name}: the immediate without its sign", probe.immediate & 0xFFFF)


def _in_turn(classes: tuple[str, ...], rng: Random) -> Iterator[str]:
    """The classes for ever, every round in another order."""
    while True:
        yield from rng.sample(classes, len(classes))
