"""Random guest programs for holding two engines against each other.

Programs are drawn from the instruction table so that they mean something. Registers are split by what they hold: word
operations get registers that always hold sign-extended words, each floating-point format has registers of its own, and
base registers stay. Addresses are aligned where they must be, branches go forward, a slot holds no branch. What is
open all the same, or traps on the chip, the reference says.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from random import Random

from conformance_model import CODE, DATA

from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Region, Target
from harness.program.assembly import encode
from interp.optable import ROWS, Kind, Row

WORDS = tuple(range(2, 12))
WIDE = (12, 13, 14, 15, 24, 25)
#: Base register -> the address that it holds, far enough from the ends of the data page.
BASES = {16: DATA + 0x100, 17: DATA + 0x800}
#: Where a base points now and then instead: misaligned, unmapped, in kuseg, not sign-extended, past the segments.
STRAY = (DATA + 0x101, DATA + 0x802, DATA - 0x40_0000, 0x1000, DATA % (1 << 32), 0xFFFF_FFFF_C000_0000)
RETURN = ((0x03E0_0008,), (0,))
CORNERS = (0, 1, -1, 2, -2, 0x7FFF_FFFF, -0x8000_0000, 0x7FFF, -0x8000, 0xFF, 31, 32)
WIDE_CORNERS = (*CORNERS, 0x8000_0000, 0xFFFF_FFFF, (1 << 63) - 1, -1 << 63, 63, 64)

#: FR bit -> format -> the FPRs that hold values of it; without FR only even ones make sense.
FLOATS: dict[bool, dict[str, tuple[int, ...]]] = {
    True: {"s": tuple(range(10)), "d": tuple(range(10, 20)), "w": (20, 21, 22), "l": (23, 24, 25, 31)},
    False: {"s": (0, 2, 4, 6), "d": (8, 10, 12, 14), "w": (16, 18, 20)},
}

_APART = ("ll", "lld", "sc", "scd", "lwc1", "swc1", "ldc1", "sdc1")
_UNALIGNED = ("lwl", "lwr", "ldl", "ldr", "swl", "swr", "sdl", "sdr")
_CONVERSIONS = ("cvt", "round", "trunc", "ceil", "floor")
_BETWEEN_FILES = ("mfc0", "dmfc0", "mtc0", "dmtc0", "mfc1", "dmfc1", "mtc1", "dmtc1", "cfc1", "ctc1")

INTEGER = tuple(row for row in ROWS if row.kind is Kind.ALU and row.name not in _BETWEEN_FILES)
MEMORY = tuple(row for row in ROWS if row.kind in (Kind.LOAD, Kind.STORE) and row.name not in _APART)
FLOAT = tuple(row for row in ROWS if row.kind is Kind.FLOAT)
BRANCHES = tuple(row for row in ROWS if row.kind in (Kind.BRANCH, Kind.LIKELY) and not row.links)


@dataclass(frozen=True)
class Mix:
    """How often each kind of instruction is drawn, in any unit."""

    integer: int = 0
    memory: int = 0
    branch: int = 0
    floating: int = 0


def program(random: Random, mix: Mix, length: int, fr: bool) -> Target:
    """Draws a program of about ``length`` instructions."""
    items: list[tuple[int, ...]] = []
    branches: list[int] = []
    while len(items) < length:
        (kind,) = random.choices(
            ("integer", "memory", "branch", "floating"), (mix.integer, mix.memory, mix.branch, mix.floating)
        )
        if kind == "branch":
            branches.append(len(items))
            items.append((_branch(random), _plain(random, mix, fr)[0]))
        else:
            items.append(_plain(random, mix, fr, kind))
    items += RETURN
    starts = [0]
    for item in items:
        starts.append(starts[-1] + len(item))
    for number in branches:
        goal = random.randint(number + 1, min(number + 6, len(items) - 2))
        branch, slot = items[number]
        items[number] = branch | (starts[goal] - starts[number] - 1) & 0xFFFF, slot
    code = b"".join(struct.pack(f">{len(item)}I", *item) for item in items)
    region = Region(CODE, code.ljust(-(-len(code) // PAGE) * PAGE, b"\0"), writable=False, name="code")
    return Target("random", CODE, len(code), (region,), fr)


def state(random: Random, fr: bool) -> MachineState:
    """Draws a state that suits a program."""
    gpr = [0] * 32
    for n in WORDS:
        gpr[n] = _value(random, CORNERS, 32)
    for n in WIDE:
        gpr[n] = _value(random, WIDE_CORNERS, 64)
    gpr[31] = RETURN_ADDRESS
    for n, address in BASES.items():
        gpr[n] = random.choice(STRAY) if random.randrange(16) == 0 else address
    fpr = [0] * 32
    for kind, numbers in FLOATS[fr].items():
        for n in numbers:
            bits = _float(random, kind)
            fpr[n] = bits if fr else bits & 0xFFFF_FFFF
            if kind == "d" and not fr:
                fpr[n + 1] = bits >> 32
    data = Region(DATA, random.randbytes(PAGE), writable=True, name="data")
    return MachineState(CODE, tuple(gpr), _value(random, CORNERS, 32), 0, tuple(fpr), random.randrange(4), fr, (data,))


def _plain(random: Random, mix: Mix, fr: bool, kind: str = "") -> tuple[int, ...]:
    """An instruction that is no branch, or a pair of LL and SC with something between."""
    if not kind:
        (kind,) = random.choices(("integer", "memory", "floating"), (mix.integer, mix.memory, mix.floating))
        return _plain(random, mix, fr, kind)[-1:]
    if kind == "integer":
        return (_integer(random, random.choice(INTEGER)),)
    if kind == "floating":
        return (_floating(random, random.choice([row for row in FLOAT if fr or ".l" not in row.name[1:]]), fr),)
    if random.randrange(12) == 0:
        base, offset = random.choice(tuple(BASES)), 4 * random.randrange(-16, 16)
        t, other = random.sample(WORDS, 2)
        return (
            encode("ll", s=base, t=t, imm=offset),
            encode("addiu", s=t, t=other, imm=1),
            encode("sc", s=base, t=other, imm=offset),
        )
    return (_memory(random, random.choice(MEMORY)),)


def _integer(random: Random, row: Row) -> int:
    """Word operands come from WORDS; a result that may be wider goes to WIDE, one that is a word to either."""
    fields: dict[str, int] = {}
    sources = [name for name in row.reads if name in ("s", "t")]
    for name in sources:
        fields[name] = random.choice(WORDS if name in row.word else WORDS + WIDE)
    words = row.narrow == "always" or (row.narrow == "inherits" and all(fields[name] in WORDS for name in sources))
    for name in row.results:
        if name in ("t", "d"):
            fields[name] = random.choice(WORDS + WIDE if words and row.name not in ("mfhi", "mflo") else WIDE)
    if "i" in row.fields:
        fields["imm"] = random.choice((0, 1, -1, 0x7FFF, -0x8000, random.randrange(-0x8000, 0x8000)))
    if "a" in row.fields:
        fields["a"] = random.choice((0, 1, 31, random.randrange(32)))
    return encode(row.name, **fields)


def _memory(random: Random, row: Row) -> int:
    step = 1 if row.name in _UNALIGNED else row.access
    register = random.choice(WORDS if row.kind is Kind.STORE or row.narrow == "always" else WIDE)
    return encode(row.name, s=random.choice(tuple(BASES)), t=register, imm=step * random.randrange(-8, 8))


def _branch(random: Random) -> int:
    row = random.choice(BRANCHES)
    return encode(row.name, **{name: random.choice(WORDS + WIDE) for name in row.reads if name in ("s", "t")})


def _floating(random: Random, row: Row, fr: bool) -> int:
    operation, *formats = row.name.split(".")
    source, result = formats[-1], formats[0] if operation in _CONVERSIONS else formats[-1]
    places = FLOATS[fr]
    fields = {name: random.choice(places[source]) for name in row.reads if name in ("fs", "ft")}
    if "fd" in row.results:
        fields["fd"] = random.choice(places[result])
    return encode(row.name, **fields)


def _value(random: Random, corners: tuple[int, ...], bits: int) -> int:
    """A value of so many bits, sign-extended to 64; often a corner."""
    if random.randrange(2):
        return random.choice(corners) % (1 << 64)
    return random.randrange(-1 << bits - 1, 1 << bits - 1) % (1 << 64)


def _float(random: Random, kind: str) -> int:
    """The bits of an ordinary value: a normal number of middling size, or an integer that converts."""
    if kind == "w":
        return random.choice((0, 1, 0xFFFF_FFFF, 0x7FFF_FFFF, 0x8000_0000, random.getrandbits(32)))
    if kind == "l":
        return random.randrange(-1 << random.randint(1, 50), 1 << random.randint(1, 50)) % (1 << 64)
    if random.randrange(4) == 0:
        number = random.choice((0.0, -0.0, 1.0, -1.0, 0.5, 1.5, 2.5, 2.0**31, -(2.0**31)))
        return int.from_bytes(struct.pack(">d" if kind == "d" else ">f", number), "big")
    significand, bias, width = (52, 1023, 64) if kind == "d" else (23, 127, 32)
    sign = random.randrange(2) << width - 1
    return sign | (bias + random.randint(-20, 20)) << significand | random.getrandbits(significand)
