"""``opcodes check`` on the stand-in translator: clean where it is right, the opcode named where a fault is planted."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from harness.check import Options, check
from harness.errors import UsageError
from harness.evidence import Ledger, OpcodeVerdict
from harness.opcodes.emit import emit
from harness.opcodes.ledger import ledger
from harness.opcodes.study import ProbeStudy

FIXTURES = Path(__file__).parents[2] / "fixtures"
sys.path.insert(0, str(FIXTURES / "lowering"))

from faults import FAULTS  # noqa: E402 - a module of a script: found by the line above

#: Planted together, each in an opcode of its own; what each breaks is found in the probes of that opcode.
PLANTED = (
    *("addu-no-sign-extension", "sltu-signed", "sra-logical", "mult-high-unsigned", "lb-zero-extended"),
    *("lwl-off-by-one", "sub-s-truncates", "c-lt-as-le", "mfc1-zero-extended"),
)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the bundled file, elsewhere, with the images that it names."""
    folder = tmp_path_factory.mktemp("probes") / "opcodes"
    folder.mkdir()
    text = (FIXTURES / "opcodes/tally.toml").read_text().replace("../lowering", str(FIXTURES / "lowering"))
    (folder / "tally.toml").write_text(text)
    planted = text.replace("--style blocks", f"--style blocks --plant {','.join(PLANTED)}")
    (folder / "planted.toml").write_text(planted.replace("translated/paired-blocks", "translated/planted"))
    list(emit(folder / "images"))
    return folder


def checked(file: Path, pattern: str, build: str = "paired-blocks") -> Ledger:
    return ledger(check(file, Options(pattern, build), study=ProbeStudy()))


@pytest.fixture(scope="module")
def planted(project: Path) -> Ledger:
    return checked(project / "planted.toml", "")


def test_the_right_translation_shows_no_difference_and_misses_no_bin(project: Path) -> None:
    (section,) = checked(project / "tally.toml", "*sl*u*").sections
    assert {line.verdict for line in section.lines} == {OpcodeVerdict.NO_DIFFERENCE}
    assert section.missed == 0
    assert section.hit > 500
    assert {"sltu", "sltiu", "idiom larger_by_sltu"} <= {line.name for line in section.lines}


def test_each_planted_fault_is_found_and_no_other_opcode_is_blamed(planted: Ledger) -> None:
    wrong = {opcode for fault in FAULTS if fault.id in PLANTED for opcode in fault.opcodes}
    (section,) = planted.sections
    named = {line.name for line in section.lines if line.verdict is OpcodeVerdict.DIFFERS}
    assert {name for name in named if not name.startswith("idiom")} == wrong
    assert all(set(line.opcodes) & wrong for line in section.lines if line.name in named)


def test_a_fault_is_shown_by_two_words_at_most_and_mostly_within_twenty_states_of_a_probe(planted: Ledger) -> None:
    (section,) = planted.sections
    alone = [line for line in section.lines if line.differing and not line.name.startswith("idiom")]
    words = [min(result.finding.words for result in line.differing if result.finding) for line in alone]
    assert max(words) <= 2
    first = [min(result.states for result in line.differing) for line in alone]
    assert sum(states <= 20 for states in first) >= 0.85 * len(first)


def test_an_image_of_other_probes_is_refused(project: Path) -> None:
    shutil.copy(FIXTURES / "tideclock/bin/tideclock-o32-O1.elf", project / "images/other.elf")
    text = (project / "tally.toml").read_text().replace("images/opcodes-paired.elf", "images/other.elf")
    (project / "other.toml").write_text(text.replace("translated/paired", "translated/other"))
    with pytest.raises(UsageError, match="does not hold the probes of this version"):
        checked(project / "other.toml", "")
