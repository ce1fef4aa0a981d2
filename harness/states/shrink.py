"""The reduction of a failing state to the few words that matter.

Works over the words in which the failing state differs from the base state of its shape: first it takes words away
(delta debugging: whole groups, then ever smaller runs), then it makes the words that are left simpler. The result is
a function of the arguments alone, and no step makes a state less simple, so it ends.

Source: Zeller and Hildebrandt, Simplifying and Isolating Failure-Inducing Input, IEEE TSE 28(2), 2002 (the ddmin
algorithm, here without the step that tests a chunk alone: groups play that part).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from harness.engines.base import MachineState
from harness.states.words import Word, different_words, is_canonical, sign_extended, value_of, with_words

_Words = dict[Word, int]


def shrink(
    base: MachineState,
    failing: MachineState,
    still_fails: Callable[[MachineState], bool],
    budget: int = 2000,
) -> MachineState:
    """The simplest state found near ``failing`` for which ``still_fails`` holds.

    Units: ``budget`` in calls of ``still_fails``. ``failing`` is taken to fail and returned unchanged when nothing
    simpler does.
    """
    return _Reduction(base, still_fails, budget).reduce(different_words(base, failing))


class _BudgetSpentError(Exception):
    """Ends a reduction in the middle of a pass; the best words so far stand."""


class _Reduction:
    def __init__(self, base: MachineState, still_fails: Callable[[MachineState], bool], budget: int) -> None:
        self._base = base
        self._still_fails = still_fails
        self._budget = budget
        self._known: dict[frozenset[tuple[Word, int]], bool] = {}
        self._best: _Words = {}

    def reduce(self, words: _Words) -> MachineState:
        self._best = words
        try:
            while True:
                before = dict(self._best)
                self._drop_groups()
                self._drop_runs()
                self._merge_values()
                self._simplify_values()
                if self._best == before:
                    break
        except _BudgetSpentError:
            pass
        return with_words(self._base, self._best)

    def _accept(self, words: _Words) -> bool:
        """Takes ``words`` as the best so far if the state still fails with them."""
        key = frozenset(words.items())
        if key not in self._known:
            if self._budget <= 0:
                raise _BudgetSpentError
            self._budget -= 1
            self._known[key] = self._still_fails(with_words(self._base, words))
        if self._known[key]:
            self._best = words
        return self._known[key]

    def _drop_groups(self) -> None:
        """Tries to do without everything, without one group, and with one group alone."""
        if self._best:
            self._accept({})
        for group in _groups(self._best):
            self._accept({word: value for word, value in self._best.items() if word not in group})
        for group in _groups(self._best):
            if len(group) < len(self._best):
                self._accept({word: value for word, value in self._best.items() if word in group})

    def _drop_runs(self) -> None:
        """Tries to do without ever smaller runs of neighbouring words, down to single ones."""
        size = len(self._best) // 2
        while size >= 1:
            start, dropped = 0, False
            while start < len(self._best):
                order = list(self._best)
                gone = set(order[start : start + size])
                if self._accept({word: value for word, value in self._best.items() if word not in gone}):
                    dropped = True
                else:
                    start += size
            if size == 1 and dropped:
                continue
            size //= 2

    def _merge_values(self) -> None:
        """Tries pairs of words that can only go together: a word goes if another one takes a simple value.

        A length that reaches a far byte is the usual reason: neither can be given up alone.
        """
        if not 2 <= len(self._best) <= 8:
            return
        for gone in list(self._best):
            for other in list(self._best):
                if gone in self._best and other in self._best and gone != other:
                    rest = {word: value for word, value in self._best.items() if word != gone}
                    for value in (0, 1, 2, 4, 8, 0x10):
                        if value != value_of(self._base, other) and self._accept({**rest, other: value}):
                            break

    def _simplify_values(self) -> None:
        """Makes each remaining word as simple as it can be while the others stay."""
        for word in list(self._best):
            improved = True
            while improved:
                improved = any(
                    self._accept({**self._best, word: value})
                    for value in _simpler_values(word, self._best[word])
                    if value != value_of(self._base, word)
                )


def _groups(words: _Words) -> list[set[Word]]:
    """Registers by kind, and memory by page and whole, in a fixed order; only groups that hold something."""
    by_name: dict[tuple[str, int], set[Word]] = {}
    for word in words:
        by_name.setdefault((word.room, -1), set()).add(word)
        if word.room == "mem":
            by_name.setdefault((word.room, word.number >> 12), set()).add(word)
        else:
            by_name.setdefault(("registers", -1), set()).add(word)
            if word.room == "gpr" and not 4 <= word.number < 12:
                by_name.setdefault(("not arguments", -1), set()).add(word)
    return [by_name[name] for name in sorted(by_name)]


_SMALL = (0, 1, 2, 3, 4)
_ROUND = (-1, -2, 0xFF, 0xFFFF, 0x7FFF_FFFF)
_ONE, _MINUS_ONE, _TWO, _HALF = 0x3F80_0000, 0xBF80_0000, 0x4000_0000, 0x3F00_0000
_DOUBLE_ONE, _DOUBLE_MINUS_ONE, _DOUBLE_HALF = 0x3FF0_0000, 0xBFF0_0000, 0x3FE0_0000  # high words
_SIMPLE_FLOATS = (_ONE, _MINUS_ONE, _TWO, _HALF, _DOUBLE_ONE, _DOUBLE_MINUS_ONE, _DOUBLE_HALF)
_SIMPLE_DOUBLES = tuple(high << 32 for high in (_DOUBLE_ONE, _DOUBLE_MINUS_ONE, _TWO, _DOUBLE_HALF))


def _simpler_values(word: Word, value: int) -> Iterator[int]:
    """Candidates for ``word`` that are strictly simpler than ``value``, simplest first, none twice."""
    integer = word.room in ("gpr", "hi", "lo")
    mask = 0xFFFF_FFFF_FFFF_FFFF if integer or value >> 32 else 0xFFFF_FFFF
    bits = [1 << bit for bit in range(value.bit_length()) if value >> bit & 1]
    candidates = [number & mask for number in (*_SMALL, *bits, *_ROUND)]
    if not integer:
        candidates.extend(number & mask for number in _SIMPLE_FLOATS + _SIMPLE_DOUBLES)
    for width in (32, 16, 8, 4):
        candidates.extend((value & mask >> width, value >> width << width))
    candidates.extend(value ^ bit for bit in reversed(bits))
    candidates.extend((value // 2, value - 1))
    if word.room == "fcsr":
        candidates = [0, 1, 2, 3]
    if integer and is_canonical(value):
        candidates = [sign_extended(candidate) for candidate in candidates]
    for candidate in dict.fromkeys(candidates):
        if _rank(candidate) < _rank(value):
            yield candidate


def _rank(value: int) -> tuple[int, int, int]:
    """How much there is to read in a value: small numbers, single bits, round numbers, then by the bits set.

    A single bit comes before -1 because it says which bit it was.
    """
    number = value
    if value >> 63:
        number -= 1 << 64
    elif value >> 31 == 1:
        number -= 1 << 32
    if number in _SMALL:
        return (0, _SMALL.index(number), 0)
    if value.bit_count() == 1 or number == -0x8000_0000:
        return (1, value.bit_length(), 0)
    if number in _ROUND:
        return (2, _ROUND.index(number), 0)
    return (3, number.bit_count(), abs(number))
