"""What the references say of themselves: versions, one hand-computed program, and every known difference."""

from __future__ import annotations

import platform
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from importlib.metadata import version

from harness.engines.base import PAGE, RETURN_ADDRESS, Engine, MachineState, Region, StopKind, Target
from harness.engines.faults import SOURCES
from harness.engines.reference import Reference
from harness.engines.unicorn import Unicorn
from harness.engines.unicorn_standing import VERSION, Standing, State, refreshed, standings
from harness.errors import UsageError
from harness.program.assembly import encode
from harness.results import KnownDifference, Selftest, SelftestLine
from interp.events import OPENS, TRAPS
from interp.optable import ROWS

_CODE, _STACK = 0xFFFF_FFFF_8000_1000, 0xFFFF_FFFF_8001_0000

#: v0 = a0 + (a0 - 1) + ... + 1; v1 = v0 * 16 by the slot of the loop's branch; v0 is stored by the slot of the return.
_WORDS = (
    encode("or", d=2),
    encode("addu", d=2, s=2, t=4),
    encode("addiu", t=4, s=4, imm=-1),
    encode("bne", s=4, imm=-3),
    encode("sll", d=3, t=2, a=4),
    encode("jr", s=31),
    encode("sw", t=2, s=29, imm=-8),
)
_ARGUMENT, _SUM = 100, 5050

_PACKAGES = ("tallystick", "unicorn", "hypothesis", "cffi", "pyelftools", "pydantic")


def selftest(probed: Callable[[], Mapping[str, str]] = refreshed) -> Selftest:
    """Tries everything anew; a line that is not ``good`` means that nothing a check says can be trusted.

    A difference that is gone is good: the remedy for it has become needless, and harms nothing. ``probed`` gives what
    the probes of Unicorn see.
    """
    began = time.perf_counter()
    seen = standings(probed())
    seconds = time.perf_counter() - began
    lines = (*_versions(), *_legs(), _rows(), _probes(seen, seconds))
    return Selftest(lines, tuple(map(_difference, seen)), tuple(SOURCES.items()))


def _versions() -> Iterator[SelftestLine]:
    yield SelftestLine("python", platform.python_version(), True)
    for package in _PACKAGES:
        yield SelftestLine(package, version(package), True)


def _legs() -> Iterator[SelftestLine]:
    for leg in (Reference, Unicorn):
        try:
            problem = sums_up(leg())
        except UsageError as refusal:
            problem = f"refused: {refusal.what}"
        yield SelftestLine(f"leg {leg.name}", problem or "sums 1 to 100, with slots and a store", not problem)


def _rows() -> SelftestLine:
    text = f"{len(ROWS)} instructions, {len(TRAPS)} traps, {len(OPENS)} cases that a manual leaves open"
    return SelftestLine("reference", text, True)


def _probes(seen: tuple[Standing, ...], seconds: float) -> SelftestLine:
    count = Counter(standing.state for standing in seen)
    text = (
        f"{len(seen)} probes in {seconds:.1f} s: {count[State.THERE]} known differences there, "
        f"{count[State.GONE]} gone, {count[State.UNKNOWN]} unknown"
    )
    return SelftestLine(f"probes of unicorn {VERSION}", text, not count[State.UNKNOWN])


def _difference(standing: Standing) -> KnownDifference:
    fault = standing.fault
    return KnownDifference(
        id=fault.id,
        group=fault.group.value,
        rows=fault.rows,
        when=fault.when,
        does=fault.unicorn,
        manual=fault.manual,
        source=fault.source,
        remedy=fault.remedy,
        measured=fault.measured,
        known=fault.known,
        right=fault.right,
        seen=standing.seen,
        state=standing.state.value,
    )


def sums_up(engine: Engine) -> str:
    """What is wrong with how ``engine`` runs a small program; empty where nothing is."""
    code = Region(_CODE, b"".join(word.to_bytes(4, "big") for word in _WORDS).ljust(PAGE, b"\0"), False, "code")
    engine.load(Target("sum", _CODE, 4 * len(_WORDS), (code,), False))
    outcome = engine.run(_before(), 1000)
    engine.close()
    if outcome.stop is not StopKind.RETURNED or outcome.after is None:
        return f"did not return: {outcome.stop} {outcome.trap}".rstrip()
    stack = next(region for region in outcome.after.memory if region.address == _STACK)
    got = (outcome.after.gpr[2], outcome.after.gpr[3], stack.data[PAGE // 2 - 8 : PAGE // 2 - 4].hex())
    expected = (_SUM, _SUM << 4, f"{_SUM:08x}")
    return "" if got == expected else f"wrong result: got {got}, expected {expected}"


def _before() -> MachineState:
    gpr = [0] * 32
    gpr[4], gpr[29], gpr[31] = _ARGUMENT, _STACK + PAGE // 2, RETURN_ADDRESS
    stack = Region(_STACK, bytes(PAGE), True, "stack")
    empty = MachineState(_CODE, (0,) * 32, 0, 0, (0,) * 32, 0, False, (stack,))
    return replace(empty, gpr=tuple(gpr))
