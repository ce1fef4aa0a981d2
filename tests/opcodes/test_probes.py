"""The probes: every opcode in every form and role, laid out as code that a linker could have made."""

from __future__ import annotations

import re
import subprocess
from io import BytesIO
from itertools import pairwise
from pathlib import Path

import pytest
from elftools.elf.elffile import ELFFile

from harness.errors import UsageError
from harness.opcodes.catalogue import catalogue, unprobed
from harness.opcodes.classes import ValueKind
from harness.opcodes.code import Label, To, assemble, branch, line, nop
from harness.opcodes.emit import emit
from harness.opcodes.image import elf_file, lay_out
from harness.opcodes.probe import PLAIN
from interp.optable import ROWS, Kind, decode

WIRINGS = pytest.mark.parametrize("fr", [False, True], ids=["paired", "flat"])


def forms(opcode: str, fr: bool, role: str = PLAIN) -> set[str]:
    return {probe.form for probe in catalogue(fr) if probe.opcodes == (opcode,) and probe.role == role}


def roles(opcode: str, fr: bool) -> set[str]:
    return {probe.role for probe in catalogue(fr) if probe.opcodes == (opcode,)}


@WIRINGS
def test_every_opcode_has_a_probe_or_a_reason(fr: bool) -> None:
    probed = {probe.opcodes[0] for probe in catalogue(fr)}
    missing = {row.name for row in ROWS if not unprobed(row)} - probed
    only_flat = {f"{name}.l.{fmt}" for name in ("cvt", "round", "trunc", "ceil", "floor") for fmt in "sd"}
    assert missing == (set() if fr else only_flat | {"cvt.s.l", "cvt.d.l"})


@WIRINGS
def test_names_are_c_identifiers_and_no_two_probes_share_one(fr: bool) -> None:
    names = [probe.name for probe in catalogue(fr)]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch("[a-z][a-z0-9_]*", name) for name in names)


def test_registers_fall_together_in_every_way() -> None:
    assert {"distinct", "d=s", "d=t", "s=t", "d=s=t", "d=0", "s=0", "t=0"} == forms("addu", False)
    assert {"distinct", "fd=fs", "fd=ft", "fs=ft", "fd=fs=ft", "odd"} == forms("add.d", True)
    assert "odd" not in forms("add.d", False), "an odd register holds no double where registers are pairs"
    assert {"odd"} <= forms("mtc1", False) & forms("lwc1", False) & forms("swc1", False)
    assert {"t=s", "t=0"} <= forms("lw", False)
    assert "s=0" not in forms("lw", False), "nothing lies at address 0"


def test_every_shift_amount_and_every_byte_of_an_unaligned_access_is_there() -> None:
    for name in ("sll", "srl", "sra", "dsll", "dsll32", "dsra32"):
        assert {f"a={amount}" for amount in range(32)} <= forms(name, True)
    for name in ("lwl", "lwr", "swl", "swr", "ldl", "ldr", "sdl", "sdr"):
        assert {"distinct", *(f"byte={n}" for n in range(1, 8))} <= forms(name, False)


def test_immediates_of_each_class_are_there() -> None:
    assert {"i=0", "i=1", "i=-1", "i=32767", "i=-32768"} <= forms("addiu", False)
    assert {"u=0", "u=32768", "u=65535"} <= forms("ori", False)


def test_opcodes_stand_in_every_slot_and_before_a_use() -> None:
    slots = {"slot_taken", "slot_untaken", "slot_likely_taken", "slot_likely_untaken", "slot_return"}
    assert {PLAIN, "used", "slot_changes_condition"} | slots == roles("addu", False)
    assert {PLAIN, "used"} | slots == roles("add.s", True)
    assert {"slot_taken", "slot_likely_untaken"} <= roles("mult", False)


def test_branches_go_forward_backward_and_to_behind_their_slot() -> None:
    places = {PLAIN, "backward", "to_behind_the_slot"}
    assert places | {"slot_changes_s", "slot_changes_t"} == roles("bnel", False)
    assert places == roles("bc1tl", False)
    assert {PLAIN, "slot_changes_s", "slot_reads_link"} == roles("bgezal", False)
    assert {"return", "tail_call"} == forms("jr", False)


def test_a_branch_a_jump_and_an_address_are_laid_out_as_the_manual_has_them() -> None:
    # R4K App. A: a branch counts words from its delay slot; a jump takes bits 27..2; ADDIU extends its sign
    code = [branch("beq", "on", s=4, t=5), nop(), Label("on"), line("j", j=To("far", "jump"))]
    assert assemble(code, 0x8000_1000, {"far": 0x8012_3458}) == (0x1085_0001, 0, 0x0804_8D16)
    halves = [line("lui", t=9, i=To("far", "high")), line("addiu", t=9, s=9, i=To("far", "low"))]
    assert assemble(halves, 0, {"far": 0x8001_9000}) == (0x3C09_8002, 0x2529_9000)
    assert assemble(halves, 0, {"far": 0x8001_7000}) == (0x3C09_8001, 0x2529_7000)


@WIRINGS
def test_every_word_of_every_probe_is_an_instruction_and_its_own_opcode_occurs(fr: bool) -> None:
    functions = {placed.name: placed for placed in lay_out(catalogue(fr)).functions}
    for probe in catalogue(fr):
        insns = [decode(word) for word in functions[probe.name].words]
        assert None not in insns
        assert set(probe.opcodes) <= {insn.row.name for insn in insns if insn}


@WIRINGS
def test_no_slot_holds_a_branch(fr: bool) -> None:
    for placed in lay_out(catalogue(fr)).functions:
        insns = [decode(word) for word in placed.words]
        for insn, slot in pairwise(insns):
            assert insn
            assert slot
            assert not (insn.row.kind.has_slot and slot.row.kind.has_slot), placed.name
        assert insns[-1] is None or insns[-1].row.kind not in (Kind.BRANCH, Kind.INDIRECT)


@WIRINGS
def test_the_image_is_read_by_a_library_as_it_was_laid_out(fr: bool) -> None:
    image = lay_out(catalogue(fr))
    elf = ELFFile(BytesIO(elf_file(image, fr)))
    assert (elf.elfclass, elf.little_endian, elf["e_machine"]) == (32, False, "EM_MIPS")
    text, table = elf.get_section_by_name(".text"), elf.get_section_by_name(".symtab")
    data = text.data()
    for symbol, placed in zip(list(table.iter_symbols())[1:], image.functions, strict=True):
        assert (symbol.name, symbol["st_value"]) == (placed.name, placed.address)
        start = placed.address - text["sh_addr"]
        words = [int.from_bytes(data[start + n : start + n + 4], "big") for n in range(0, symbol["st_size"], 4)]
        assert tuple(words) == placed.words


@pytest.mark.cross("mips64-linux-gnuabi64-objdump")
@WIRINGS
def test_objdump_sees_each_probe_and_where_branches_go_as_we_do(fr: bool, tmp_path: Path) -> None:
    image = lay_out(catalogue(fr))
    file = tmp_path / "probes.elf"
    file.write_bytes(elf_file(image, fr))
    command = ["mips64-linux-gnuabi64-objdump", "-d", "-z", "-m", "mips:4300", "-M", "no-aliases", str(file)]
    printed = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    symbols = re.findall(r"^([0-9a-f]{8}) <(.*)>:$", printed, re.MULTILINE)
    assert symbols == [(f"{placed.address:08x}", placed.name) for placed in image.functions]
    theirs = {
        int(found[1], 16): (found[2], int(found[3], 16))
        for found in re.finditer(r"^\s*(8[0-9a-f]{7}):.*\t(\w+)\t(?:.*,)?(8[0-9a-f]{7}) <", printed, re.MULTILINE)
    }
    ours = {
        placed.address + 4 * n: (insn.row.name, insn.target(placed.address + 4 * n) & 0xFFFF_FFFF)
        for placed in image.functions
        for n, insn in enumerate(map(decode, placed.words))
        if insn and insn.row.kind.has_slot and insn.row.kind is not Kind.INDIRECT
    }
    assert theirs == ours


def test_emit_writes_images_listings_and_bins(tmp_path: Path) -> None:
    lines = list(emit(tmp_path / "new" / "probes"))
    names = {f"opcodes-{wiring}.{ending}" for wiring in ("paired", "flat") for ending in ("elf", "lst", "bins")}
    assert {path.name for path in (tmp_path / "new" / "probes").iterdir()} == names
    bins = (tmp_path / "new/probes/opcodes-paired.bins").read_text().splitlines()
    assert "addu__distinct\ts: minus one, t: power of two" in bins
    assert len(set(bins)) == len(bins)
    assert (
        sum(len((tmp_path / f"new/probes/opcodes-{w}.bins").read_text().splitlines()) for w in ("paired", "flat"))
        > 40_000
    )
    assert "opcodes check" in lines[-1]


def test_emit_into_a_file_is_refused_with_a_way_on(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UsageError, match=r"taken: cannot be written"):
        list(emit(tmp_path / "taken"))


def test_fcr31_is_found_as_it_can_stand_and_written_with_any_word() -> None:
    """Its reserved bits read as zero (R4K p. 161): a branch cannot meet them set, but CTC1 may be given them."""
    kinds = {(probe.name, one.name): one.kind for probe in catalogue(False) for one in probe.operands}
    assert kinds["bc1t__distinct", "fcsr"] is ValueKind.STATUS
    assert kinds["ctc1__distinct", "t"] is ValueKind.CONTROL
