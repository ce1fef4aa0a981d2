"""The list of Unicorn's known faults: well formed, right about the reference, and steered round by the leg."""

from __future__ import annotations

import pytest

from harness.abi import ABIS, GPR_NAMES
from harness.compare import Result, Rules, judge_references
from harness.config import Scope
from harness.engines.base import PAGE, RETURN_ADDRESS, Engine, MachineState, Outcome, Region, StopKind, Target
from harness.engines.faults import FAULTS, SOURCES, Fault, Probe
from harness.engines.faults.model import NONE, OPEN, SOFTWARE
from harness.engines.reference import Reference
from harness.engines.unicorn import Unicorn
from harness.engines.unicorn_bare import CODE, DATA, JR_RA, seen
from harness.engines.unicorn_runs import BY_HAND
from harness.program.disassembly import disassemble
from interp.optable import decode

WITH_PROBE = [fault for fault in FAULTS if fault.probe is not None]
FAULT = pytest.mark.parametrize("fault", WITH_PROBE, ids=lambda fault: fault.id)


def probe_of(fault: Fault) -> Probe:
    assert fault.probe is not None
    return fault.probe


def ran(engine: Engine, probe: Probe) -> tuple[MachineState, Outcome]:
    """The state that a probe starts from, and what an engine does with it."""
    words = (*probe.words, *JR_RA)
    code = Region(CODE, b"".join(word.to_bytes(4, "big") for word in words).ljust(PAGE, b"\0"), False, "code")
    gpr, fpr, fcsr = [0] * 32, [0] * 32, 0
    gpr[31] = RETURN_ADDRESS
    for name, value in probe.before.items():
        if name == "fcsr":
            fcsr = value
        elif name in GPR_NAMES:
            gpr[GPR_NAMES.index(name)] = value
        else:
            fpr[int(name[1:])] = value
    memory = (code, Region(DATA, bytes(PAGE), True, "data"))
    before = MachineState(CODE, tuple(gpr), 0, 0, tuple(fpr), fcsr, probe.fr, memory)
    engine.load(Target("probe", CODE, 4 * len(words), (code,), probe.fr))
    return before, engine.run(before, 100)


def seen_by(engine: Engine, probe: Probe) -> str:
    """What a probe sees on an engine, in the words of the list."""
    _, outcome = ran(engine, probe)
    if outcome.after is None:
        assert outcome.trap, "nothing is seen but how it stopped"
        return seen(outcome.trap, {})
    named = {**dict(zip(GPR_NAMES, outcome.after.gpr, strict=True)), "hi": outcome.after.hi, "lo": outcome.after.lo}
    named |= {f"f{n}": value for n, value in enumerate(outcome.after.fpr)} | {"fcsr": outcome.after.fcsr}
    values = {}
    for name in probe.sees:
        value = named[name]
        assert value is not None
        values[name] = value
    return seen(outcome.trap, values)


def test_there_are_more_than_forty_and_each_has_an_id_of_its_own() -> None:
    assert len({fault.id for fault in FAULTS}) == len(FAULTS) >= 40


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.id)
def test_an_entry_says_what_it_must(fault: Fault) -> None:
    texts = (fault.when, fault.unicorn, fault.manual, fault.remedy, fault.known, fault.right, fault.measured)
    assert all(texts)
    assert fault.known != fault.right
    assert fault.source.split()[0] in SOURCES
    assert (fault.probe is None) is (fault.id in BY_HAND)


def test_every_probe_by_hand_belongs_to_an_entry() -> None:
    assert set(BY_HAND) <= {fault.id for fault in FAULTS}


@FAULT
def test_a_listing_says_what_its_words_are(fault: Fault) -> None:
    probe = probe_of(fault)
    for number, line in enumerate(probe.listing.split("; ")):
        word, text = int(line[:8], 16), line[9:]
        if decode(word) is not None:
            assert text == disassemble(word, (CODE + 4 * number) & 0xFFFF_FFFF)


@FAULT
def test_the_reference_does_what_is_right(fault: Fault) -> None:
    assert seen_by(Reference(), probe_of(fault)) == fault.right


@pytest.fixture(scope="module")
def unicorn() -> Unicorn:
    return Unicorn()


@FAULT
def test_a_known_fault_is_never_a_disagreement_of_the_references(fault: Fault, unicorn: Unicorn) -> None:
    """Either the leg does what is right, or the state does not count; entries without a remedy are the proof."""
    before, reference = ran(Reference(), probe_of(fault))
    _, leg = ran(unicorn, probe_of(fault))
    judged = judge_references(before, [("reference", reference), ("unicorn", leg)], Rules(Scope.ALL, ABIS["n32"]))
    if fault.remedy == NONE:
        assert judged is not None and judged.result is Result.REFERENCES_DISAGREE
    elif fault.remedy == OPEN:
        assert judged is not None and judged.reason.startswith("open:")
    elif fault.remedy == SOFTWARE:
        assert judged is not None and judged.reason == "guest trap:unimplemented-operation"
    else:
        assert judged is None or judged.result is Result.DISCARDED
        right = leg.stop is StopKind.UNSUPPORTED or seen_by(unicorn, probe_of(fault)) == fault.right
        assert right or reference.trap == "refused" or fault.id == "stale-cause"
