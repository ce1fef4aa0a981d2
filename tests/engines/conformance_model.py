"""What a conformance case is, and how an engine is held against it.

A ``Case`` is one call or several in a row on one engine; a ``Call`` is a listing, what differs from the usual state
before it, and what it must leave. Everything a call does not name must stay as it was: the other registers, and every
byte of memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.abi import GPR_NAMES
from harness.engines.base import PAGE, RETURN_ADDRESS, Engine, MachineState, Outcome, Region, StopKind, Target
from harness.engines.outside import Outside

CODE = 0xFFFF_FFFF_8000_1000
DATA = 0xFFFF_FFFF_8001_0000
FIXED = 0xFFFF_FFFF_8002_0000
#: Nothing is mapped here.
NOWHERE = 0xFFFF_FFFF_8003_0000
KSEG1 = 0x2000_0000

#: The first bytes of the data page: no two alike, high bits set and clear, so that order and extension show.
PATTERN = bytes.fromhex("8091a2b3c4d5e6f708192a3b4c5d6e7f")


#: How most functions end.
RETURN = "; 03e00008 jr ra; 00000000 sll zero,zero,0x0"


@dataclass(frozen=True)
class Call:
    """One call of the function ``listing``: ``word text`` for each instruction, separated by semicolons.

    ``before`` and ``after`` hold registers by name (``a0``, ``hi``, ``f2``, ``fcsr``) that differ from the usual
    state, and from ``before``; ``stores`` the bytes that the data page holds afterwards, by offset. ``upper_open``
    names FPRs whose upper half the manual leaves open. With ``after`` None the state after the call is not looked at.
    ``outside`` is what lies beyond the function, which answers from ``draws``; ``events`` are what the call does there,
    in order, None where that is not looked at.
    """

    listing: str
    before: Mapping[str, int] = field(default_factory=dict)
    after: Mapping[str, int] | None = field(default_factory=dict)
    stores: Mapping[int, str] = field(default_factory=dict)
    stop: StopKind = StopKind.RETURNED
    trap: str = ""
    fr: bool = True
    fuel: int = 10_000
    upper_open: frozenset[str] = frozenset()
    data: bytes = PATTERN
    data_writable: bool = True
    data_mapped: bool = True
    code_in_state: bool = True
    outside: Outside | None = None
    draws: int = 0
    events: tuple[str, ...] | None = ()

    @property
    def words(self) -> list[tuple[int, str]]:
        """The listing as (word, text)."""
        return [(int(line[:8], 16), line[9:]) for line in self.listing.split("; ")]


@dataclass(frozen=True)
class Case:
    """A named statement about engines, and the calls that show it."""

    name: str
    calls: tuple[Call, ...]

    def __str__(self) -> str:
        return self.name.replace(" ", "-")


def case(name: str, *calls: Call) -> Case:
    """Makes a case."""
    return Case(name, calls)


def code_region(call: Call) -> Region:
    """The code page of a call."""
    code = b"".join(word.to_bytes(4, "big") for word, _ in call.words)
    return Region(CODE, code.ljust(-(-len(code) // PAGE) * PAGE, b"\0"), writable=False, name="code")


def target(call: Call, code: Region) -> Target:
    """What an engine loads for a call."""
    return Target("probe", CODE, 4 * len(call.words), (code,), call.fr, {CODE: "probe"}, call.outside)


def state_before(call: Call, code: Region) -> MachineState:
    """The state a call starts from: every register holds a value of its own unless the call says otherwise."""
    width = 0x0101_0101_0101_0101 if call.fr else 0x0101_0101
    gpr = [0x0101_0101 * n for n in range(32)]
    gpr[31] = RETURN_ADDRESS
    fpr = [width * n for n in range(32)]
    special = {"hi": 0x2121_2121, "lo": 0x2222_2222, "fcsr": 0}
    for name, value in call.before.items():
        if name in special:
            special[name] = value
        elif name in GPR_NAMES:
            gpr[GPR_NAMES.index(name)] = value
        else:
            fpr[int(name[1:])] = value
    memory = [Region(FIXED, PATTERN.ljust(PAGE, b"\0"), writable=False, name="fixed")]
    if call.data_mapped:
        memory.insert(0, Region(DATA, call.data.ljust(PAGE, b"\0"), call.data_writable, name="data"))
    if call.code_in_state:
        memory.insert(0, code)
    return MachineState(
        CODE, tuple(gpr), special["hi"], special["lo"], tuple(fpr), special["fcsr"], call.fr, tuple(memory), call.draws
    )


def registers(state: MachineState) -> dict[str, int | None]:
    """All registers of a state by name, without the zero register and pc."""
    named: dict[str, int | None] = dict(zip(GPR_NAMES[1:], state.gpr[1:], strict=True))
    named |= {f"f{n}": value for n, value in enumerate(state.fpr)}
    return named | {"hi": state.hi, "lo": state.lo, "fcsr": state.fcsr}


def kind_of(name: str) -> str:
    """Which of gpr, hi, lo, fpr, fcsr a register belongs to."""
    if name in ("hi", "lo", "fcsr"):
        return name
    return "gpr" if name in GPR_NAMES else "fpr"


def check(
    engine: Engine, case: Case, unseen: frozenset[str] = frozenset(), out_of_fuel: StopKind = StopKind.FUEL
) -> None:
    """Runs a case on an engine and asserts everything that it says.

    ``unseen`` are the kinds of registers that the engine must give as None; ``out_of_fuel`` is how it says that a run
    takes too long.
    """
    for call in case.calls:
        code = code_region(call)
        before = state_before(call, code)
        engine.load(target(call, code))
        outcome = engine.run(before, call.fuel)
        expected = out_of_fuel if call.stop is StopKind.FUEL else call.stop
        assert (outcome.stop, outcome.trap) == (expected, call.trap), outcome.detail
        if call.events is not None:
            assert tuple(map(str, outcome.outside)) == call.events
        if call.after is not None:
            _check_registers(call, before, outcome, unseen)
            _check_memory(call, before, outcome)
    engine.close()


def _check_registers(call: Call, before: MachineState, outcome: Outcome, unseen: frozenset[str]) -> None:
    assert outcome.after is not None and call.after is not None
    assert outcome.after.fr is call.fr
    assert outcome.after.gpr[0] in (0, None)
    expected = registers(before) | dict(call.after)
    got = registers(outcome.after)
    for name in expected:
        if kind_of(name) in unseen:
            assert got[name] is None, f"{name} is seen though the engine says it cannot be"
            expected[name] = None
        elif name in call.upper_open:
            expected[name] = expected[name] & 0xFFFF_FFFF
            got[name] = got[name] & 0xFFFF_FFFF
    assert _hex(got) == _hex(expected)


def _check_memory(call: Call, before: MachineState, outcome: Outcome) -> None:
    assert outcome.after is not None
    assert [region.address for region in outcome.after.memory] == [region.address for region in before.memory]
    for region, was in zip(outcome.after.memory, before.memory, strict=True):
        expected = bytearray(was.data)
        if region.address == DATA:
            for offset, text in call.stores.items():
                expected[offset : offset + len(text) // 2] = bytes.fromhex(text)
        assert _changes(region.data, was.data) == _changes(bytes(expected), was.data)
        assert region.writable is was.writable
        if region.data == was.data:
            assert region.data is was.data, f"{region.name} is unchanged but copied"


def _changes(after: bytes, before: bytes) -> dict[str, str]:
    """The bytes that changed, by offset: short to read where an assertion fails."""
    assert len(after) == len(before)
    return {f"{n:x}": f"{new:02x}" for n, (new, old) in enumerate(zip(after, before, strict=True)) if new != old}


def _hex(values: Mapping[str, int | None]) -> dict[str, str]:
    return {name: "None" if value is None else f"{value:x}" for name, value in values.items()}
