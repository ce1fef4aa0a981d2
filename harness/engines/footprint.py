"""What an isolated callee takes and leaves, read off the steps of its run in the reference."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.abi import GP, RA, SP
from harness.engines.base import PAGE
from harness.engines.outside import Effect, Outside
from harness.engines.replay import Step
from interp.optable import Kind, Loc

#: Units: bytes below the stack pointer that are the callee's own frame, and those of what it calls.
_FRAMES = 0x4000


class Footprint:
    """The registers and bytes that a callee reads before it writes them, and those that it writes.

    ``sp`` is the stack pointer at the call. Saving an argument register in the callee's frame is no use of it; loading
    it from there is.
    """

    def __init__(self, outside: Outside, sp: int) -> None:
        abi = outside.abi
        self.arguments: tuple[Loc, ...] = (*(("gpr", n) for n in abi.int_args), *(("fpr", n) for n in abi.fp_args))
        self._outside = outside
        self._sp = sp
        self._frame = range(sp - _FRAMES, sp + abi.home_bytes)
        self._kept = {("gpr", n) for n in (*abi.preserved_gprs, GP, SP, RA)}
        self._kept |= {("fpr", n) for n in abi.preserved_fprs}
        self._reads: dict[Loc, None] = {}
        self._looks: dict[int, int] = {}
        self._written: set[Loc] = set()
        self._saved: dict[int, Loc] = {}

    def follow(self, step: Step) -> None:
        """Takes in one step."""
        saved = self._saved_register(step)
        for loc, value in step.reads.items():
            if loc[0] == "mem":
                self._read_byte(loc[1], value)
            elif loc in self.arguments and loc not in self._written and loc != saved:
                self._reads[loc] = None
        for loc in step.writes:
            if loc[0] == "mem":
                self._saved.pop(loc[1], None)
                if saved is not None:
                    self._saved[loc[1]] = saved
        self._written.update(step.writes)

    def effect(self, where: str, left: dict[Loc, int]) -> Effect:
        """All of it; ``left`` is what the written places hold now."""
        looks = tuple((start, len(data)) for start, data in runs(self._looks))
        memory = {loc[1]: value for loc, value in left.items() if loc[0] == "mem"}
        registers = [(loc, left[loc]) for loc in sorted(self._written) if loc[0] != "mem" and loc not in self._kept]
        reads = tuple(loc for loc in self.arguments if loc in self._reads)
        return Effect(where, reads, looks, tuple(registers), tuple(runs(memory)))

    @property
    def looked(self) -> list[bytes]:
        """What it found in the memory that it looked at, in the order of ``Effect.looks``."""
        return [data for _, data in runs(self._looks)]

    @property
    def written(self) -> Iterable[Loc]:
        """Every place that it wrote, but for registers of devices."""
        return [loc for loc in self._written if loc[0] != "mem" or self._is_memory(loc[1])]

    def _saved_register(self, step: Step) -> Loc | None:
        """The argument register that a step only saves in the frame."""
        if step.insn is None or step.access is None or step.insn.row.kind is not Kind.STORE:
            return None
        stored = [loc for loc in step.reads if loc in self.arguments and loc != ("gpr", step.insn.s)]
        return stored[0] if step.access[0] in self._frame and stored and stored[0] not in self._written else None

    def _read_byte(self, address: int, value: int) -> None:
        if ("mem", address) in self._written:
            if address in self._saved:
                self._reads[self._saved[address]] = None
        elif self._is_memory(address) and address not in range(self._frame.start, self._sp):
            self._looks.setdefault(address, value)

    def _is_memory(self, address: int) -> bool:
        return self._outside.window_at(address) is None


def runs(held: dict[int, int]) -> Iterator[tuple[int, bytes]]:
    """Bytes by address as runs of neighbours in one page, ascending."""
    start, data = 0, bytearray()
    for address in sorted(held):
        if data and (address != start + len(data) or address % PAGE == 0):
            yield start, bytes(data)
            data = bytearray()
        if not data:
            start = address
        data.append(held[address])
    if data:
        yield start, bytes(data)
