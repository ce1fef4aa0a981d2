"""The study of a check over probes: every function of the image is one, and gets the states of its bins."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cache

from harness.check_function import StateSource
from harness.errors import UsageError
from harness.opcodes.catalogue import catalogue
from harness.opcodes.image import Image, lay_out
from harness.opcodes.probe import Probe
from harness.opcodes.states import CHANCE, ProbeStates
from harness.program.model import Function
from harness.results import Bin, FunctionResult
from harness.workbench import Limits, Workbench


@cache
def probes(fr: bool) -> dict[str, Probe]:
    """The probes by name."""
    return {probe.name: probe for probe in catalogue(fr)}


@cache
def image(fr: bool) -> Image:
    """All probes laid out."""
    return lay_out(catalogue(fr))


@dataclass(frozen=True, slots=True)
class ProbeStudy:
    """States for each bin of each probe, and ``chance`` more in any."""

    chance: int = CHANCE

    def chosen(self, bench: Workbench, functions: tuple[Function, ...]) -> tuple[Function, ...]:
        """The probes among them.

        Errors: ``UsageError`` where the image does not hold the probes of this version.
        """
        emitted = {placed.address: placed.words for placed in image(bench.fr).functions}
        for function in bench.program.functions:
            if emitted.get(function.address & 0xFFFF_FFFF) != _words(bench.program.words(function)):
                raise UsageError(
                    str(bench.program.path),
                    f"does not hold the probes of this version for {'flat' if bench.fr else 'paired'} registers",
                    got=f"{function.name} at {function.address:016x}",
                    help="make the images with `tallystick opcodes emit DIR` and translate them again",
                )
        return tuple(function for function in functions if function.name in probes(bench.fr))

    def source(self, bench: Workbench, function: Function, limits: Limits) -> ProbeStates:
        """The states of a probe."""
        probe = probes(bench.fr)[function.name]
        return ProbeStates(probe, bench.program, function, bench.abi, bench.fr, limits.seed, self.chance)

    def limits(self, source: StateSource, limits: Limits) -> Limits:
        """As many states as the bins need."""
        assert isinstance(source, ProbeStates)
        return replace(limits, states=source.most)

    def row(self, source: StateSource, result: FunctionResult) -> FunctionResult:
        """The result with what became of each bin."""
        assert isinstance(source, ProbeStates)
        reached = ((name, source.hits[name]) for name in source.names())
        bins = tuple(Bin(name, hits, "" if hits else source.given_up.get(name, "")) for name, hits in reached)
        return replace(result, bins=bins)


def _words(located: Iterable[tuple[int, int]]) -> tuple[int, ...]:
    return tuple(word for _, word in located)
