"""Which calls of the translated C lead outside of what is tested, and how each can be seen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Protocol

from harness.config import Binding
from harness.translated.binding import function_name
from harness.translated.glue import StandIn
from harness.translated.symbols import Symbols


class NamedFunction(Protocol):
    """What the build needs to know about a guest function."""

    @property
    def name(self) -> str:
        """Its name in the guest image."""

    @property
    def address(self) -> int:
        """Its guest address."""

    @property
    def segment(self) -> str:
        """The segment that it is loaded with, empty for none."""


class Crossings:
    """The functions outside of what is tested, as the C of one library calls them.

    ``declared`` are outside because the file says so. ``known`` are all names of the guest: those that the C turns out
    to lack are outside too (``find``). A function that the C has is told by redirecting its calls, which its objects
    must not have bound among themselves: ``unseen`` are those where they have.
    """

    def __init__(
        self,
        binding: Binding,
        symbols: Symbols,
        declared: Sequence[NamedFunction],
        known: Iterable[NamedFunction],
    ) -> None:
        self._binding = binding
        self._symbols = symbols
        self._by_c_name = {self._c_name(one): one for one in known}
        bound = symbols.static | symbols.hidden
        self.declared = [one for one in declared if self._c_name(one) not in bound]
        self.unseen = frozenset(one.address for one in declared if self._c_name(one) in bound)
        self.found: list[NamedFunction] = []

    @property
    def all(self) -> list[NamedFunction]:
        """Every function outside; its place in this list is its number."""
        return [*self.declared, *self.found]

    @property
    def stand_ins(self) -> list[StandIn]:
        """What the glue defines for them; nothing for those that the C never names."""
        named = self._symbols.defined | self._symbols.undefined
        numbered = [(number, one, self._c_name(one)) for number, one in enumerate(self.all)]
        return [
            StandIn(number, name, name in self._symbols.defined, one.address)
            for number, one, name in numbered
            if name in named
        ]

    @property
    def lacking(self) -> tuple[str, ...]:
        """The C names of those that no source defines, ascending."""
        return tuple(sorted(one.function for one in self.stand_ins if not one.has))

    def find(self, undefined: Iterable[str]) -> tuple[str, ...]:
        """Takes names that no source defines for functions outside; gives those that the guest does not have."""
        names = sorted(undefined)
        self.found = [self._by_c_name[name] for name in names if name in self._by_c_name]
        return tuple(name for name in names if name not in self._by_c_name)

    def _c_name(self, function: NamedFunction) -> str:
        return function_name(self._binding, function.name, function.address, function.segment)
