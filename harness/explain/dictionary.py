"""A dictionary of faults: which small change of the reference does all that the C does, in every state at hand.

A change is tried for all instructions of one opcode at once, as a wrong lowering would have it, then for single ones.
What fits is no proof: another change, of another instruction, may do the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import chain

from harness.compare import Rules, first_difference
from harness.engines.base import Outcome, Target
from harness.engines.reference import Reference
from harness.explain.mutants import Mutant, mutants
from harness.explain.states import Judged, States
from interp.blocks import Block
from interp.forms import Op
from interp.optable import Insn, decode
from interp.words import sext64

#: Runs of the changed reference, and instructions in them, that one search may take.
_MOST_RUNS, _MOST_STEPS = 2500, 1_500_000


@dataclass(frozen=True, slots=True)
class Hit:
    """A change that does what the C does in ``failing`` and ``passing`` states.

    ``addresses`` are the instructions changed, first those where the change makes a difference.
    """

    addresses: tuple[int, ...]
    like: str
    failing: int
    passing: int
    order: int


class Dictionary:
    """Changes tried in the reference for the states of one case."""

    def __init__(self, target: Target, states: States, rules: Rules, fuel: int) -> None:
        self._reference = Reference()
        self._reference.load(target)
        self._guest = self._reference.guest(target.fr)
        self._states = states
        self._rules = rules
        self._fuel = fuel
        self._code = target.code
        self._runs = self._steps = 0
        self._right = [self._reference.run(one.before, fuel) for one in states.failing]

    @property
    def spent(self) -> bool:
        """Whether the search has taken all that it may."""
        return self._runs >= _MOST_RUNS or self._steps >= _MOST_STEPS

    def hits(self, addresses: Sequence[int]) -> Iterator[Hit]:
        """The changes of the instructions at ``addresses``, all of one opcode, that fit the first failing state."""
        changes: dict[str, list[tuple[int, Mutant]]] = {}
        for address in addresses:
            insn = self._insn(address)
            if insn is not None:
                for mutant in mutants(self._guest.machine, sext64(address), insn):
                    changes.setdefault(mutant.like, []).append((address, mutant))
        for order, (like, changed) in enumerate(changes.items()):
            if self.spent:
                return
            with self._changed(changed):
                if not self._fits(self._states.failing[0]):
                    continue
                failing = 1 + sum(self._fits(one) for one in self._states.failing[1:])
                passing = sum(self._fits(one) for one in self._states.passing)
            yield Hit(tuple(self._felt(changed)), like, failing, passing, order)

    def _insn(self, address: int) -> Insn | None:
        region = next((one for one in self._code if one.address <= address < one.end), None)
        return decode(int.from_bytes(region.data[address - region.address :][:4], "big")) if region else None

    def _felt(self, changed: Sequence[tuple[int, Mutant]]) -> list[int]:
        """The addresses, first those where a change alone makes a difference in a failing state."""
        if len(changed) == 1:
            return [changed[0][0]]
        felt = []
        for address, mutant in changed:
            with self._changed([(address, mutant)]):
                pairs = zip(self._states.failing, self._right, strict=True)
                if any(self._differ(one, right, self._run(one)) for one, right in pairs):
                    felt.append(address)
        return felt + [address for address, _ in changed if address not in felt]

    def _fits(self, one: Judged) -> bool:
        """Whether the changed reference does what the C did in a state."""
        return not self._differ(one, self._run(one), one.outcomes[-1][1])

    def _differ(self, one: Judged, reference: Outcome, other: Outcome) -> bool:
        if other.after is None or reference.stop is not other.stop:
            return True
        return first_difference(one.before, (("reference", reference), ("other", other)), self._rules) is not None

    def _run(self, one: Judged) -> Outcome:
        outcome = self._reference.run(one.before, self._fuel)
        self._runs += 1
        self._steps += outcome.steps or 0
        return outcome

    @contextmanager
    def _changed(self, changes: Sequence[tuple[int, Mutant]]) -> Iterator[None]:
        """Puts changes into the blocks that were made, for as long as they last."""
        kept: list[tuple[Block, list[Op], list[int]]] = []
        for block in chain(*(same.values() for same in self._guest.machine.blocks.values())):
            for address, mutant in changes:
                if address in block.addresses:
                    kept.append((block, block.ops, block.addresses))
                    self._change(block, address, mutant)
        try:
            yield
        finally:
            for block, ops, addresses in reversed(kept):
                block.ops, block.addresses = ops, addresses

    def _change(self, block: Block, address: int, mutant: Mutant) -> None:
        assembler = self._guest.machine.assembler
        prepared = assembler.prepared(sext64(address))
        own = [n for n, one in enumerate(block.addresses) if one == address]
        first, last = own[0], own[-1] + 1
        links = block.ops[last - 1 : last] if prepared.insn.row.links else []
        main = [*mutant.ops, *links]
        behind = last
        while behind < len(block.addresses) and block.addresses[behind] == address + 4:
            behind += 1
        slot = list(mutant.slot) if mutant.slot is not None else block.ops[last:behind]
        if not prepared.insn.row.kind.has_slot:
            slot, behind = [], last
        parts = [(address, main), (address + 4, slot)]
        if mutant.swapped:
            parts.reverse()
        block.ops = [*block.ops[:first], *(op for _, ops in parts for op in ops), *block.ops[behind:]]
        inner = [at for at, ops in parts for _ in ops]
        block.addresses = [*block.addresses[:first], *inner, *block.addresses[behind:]]
