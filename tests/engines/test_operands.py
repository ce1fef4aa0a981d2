"""What an instruction reads and writes."""

from __future__ import annotations

from harness.engines import operands
from harness.program.assembly import encode
from interp.optable import decode


def test_registers_read_and_written_follow_from_the_row() -> None:
    def locs(name: str, fr: bool = True, **fields: int) -> tuple[set[tuple[str, int]], set[tuple[str, int]]]:
        insn = decode(encode(name, **fields))
        assert insn is not None
        return set(operands.sources(insn, fr)), set(operands.targets(insn, fr))

    assert locs("addu", s=4, t=5, d=2) == ({("gpr", 4), ("gpr", 5)}, {("gpr", 2)})
    assert locs("lwl", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, {("gpr", 5)})
    assert locs("sw", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, set())
    assert locs("sc", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, {("gpr", 5)})
    assert locs("div", s=4, t=5) == ({("gpr", 4), ("gpr", 5)}, {("hi", 0), ("lo", 0)})
    assert locs("mfhi", d=4) == ({("hi", 0)}, {("gpr", 4)})
    assert locs("jal") == (set(), {("gpr", 31)})
    assert locs("jalr", s=25, d=31) == ({("gpr", 25)}, {("gpr", 31)})
    assert locs("mtc0", t=4, d=12) == ({("gpr", 4)}, {("cop0", 12)})
    assert locs("add.d", False, fs=2, ft=4, fd=6) == (
        {("fpr", 2), ("fpr", 3), ("fpr", 4), ("fpr", 5), ("fcsr", 0)},
        {("fpr", 6), ("fpr", 7), ("fcsr", 0)},
    )
    assert locs("ldc1", True, ft=6, s=4) == ({("gpr", 4)}, {("fpr", 6)})


def test_the_bytes_that_a_load_or_store_moves() -> None:
    def span(name: str, base: int, offset: int) -> tuple[int, int]:
        insn = decode(encode(name, i=offset))
        assert insn is not None
        return operands.span(insn, base)

    assert span("lw", 0x1000, -4) == (0xFFC, 4)
    assert span("ld", 0, -8) == (0xFFFF_FFFF_FFFF_FFF8, 8)
    assert [span("lwl", 0x1000, n) for n in range(4)] == [(0x1000, 4), (0x1001, 3), (0x1002, 2), (0x1003, 1)]
    assert [span("swr", 0x1000, n) for n in range(4)] == [(0x1000, 1), (0x1000, 2), (0x1000, 3), (0x1000, 4)]
    assert span("sdl", 0x1000, 5) == (0x1005, 3)
    assert span("ldr", 0x1000, 5) == (0x1000, 6)
