"""Translations written by hand: C functions in two styles, their tally.toml, and an engine on them.

``STRUCT`` keeps 64-bit registers in a struct that is passed along, and memory in guest order; ``GLOBALS`` keeps 32-bit
registers in globals of their own, and memory in words of host order. Both offer ``R(n)`` for a register,
``AT(address)`` for a byte, ``LOAD32(address)`` and ``STORE32(address, value)``, and ``CALL(name, address)`` for
functions that no source defines; ``STRUCT`` also reaches devices.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.config import load_config
from harness.config.builds import Build
from harness.engines.base import PAGE, RETURN_ADDRESS, MachineState, Region, Target
from harness.engines.translated import Translated
from harness.translated.build import Library, build_libraries

CODE = 0xFFFF_FFFF_8000_1000
DATA = 0xFFFF_FFFF_8001_0000
FIXED = 0xFFFF_FFFF_8002_0000

CODE_REGION = Region(CODE, bytes(PAGE), writable=False, name="code")


@dataclass(frozen=True)
class Style:
    """One way to keep guest state: a header, how a function begins, and the keys of the binding."""

    header: str
    declarator: str
    binding: str


STRUCT = Style(
    header="""
#include <stdint.h>
#include <string.h>
struct guest { uint64_t r[32], hi, lo; uint64_t f[32]; uint32_t word[32]; uint32_t fcsr; };
extern int seen_before;
#define AT(a) m[(uint32_t)(a) - 0x80000000u]
static inline uint32_t load32(uint8_t *m, uint64_t a)
{
    return (uint32_t)AT(a) << 24 | AT(a + 1) << 16 | AT(a + 2) << 8 | AT(a + 3);
}
static inline void store32(uint8_t *m, uint64_t a, uint32_t v)
{
    for (int i = 0; i < 4; i++) AT(a + i) = (uint8_t)(v >> (24 - 8 * i));
}
#define R(n) g->r[n]
#define LOAD32(a) load32(m, a)
#define STORE32(a, v) store32(m, a, v)
#define CALL(name, address) name(g, m)
"""
    + "".join(f"void {name}(struct guest *g, uint8_t *m);\n" for name in ("port_send", "port_take"))
    + "".join(
        f"uint64_t device_read{bits}(uint32_t address);\nvoid device_write{bits}(uint32_t address, uint64_t value);\n"
        for bits in (8, 16, 32, 64)
    ),
    declarator="void {name}(struct guest *g, uint8_t *m)",
    binding="""
declare = "static struct guest g; int seen_before;"
call = "{function}(&g, {memory})"
prototype = "void {function}(struct guest *g, uint8_t *m)"
gpr = "g.r[{n}]"
hi = "g.hi"
lo = "g.lo"
fpr = "g.f[{n}]"
fpr_word = "g.word[{n}]"
fcsr = "g.fcsr"
device_read = "uint64_t device_read{bits}(uint32_t {address})"
device_write = "void device_write{bits}(uint32_t {address}, uint64_t {value})"
""",
)

GLOBALS = Style(
    header="#include <stdint.h>\n"
    + "".join(f"extern int32_t r{n};\n" for n in range(32))
    + """
extern uint8_t *ram;
#define AT(a) ram[((uint32_t)(a) ^ 3) - 0x80000000u]
#define R(n) r##n
#define LOAD32(a) (*(uint32_t *)&ram[(uint32_t)(a) - 0x80000000u])
#define STORE32(a, v) (LOAD32(a) = (v))
#define CALL(name, address) at_##address()
void at_80000400(void);
void at_80000410(void);
""",
    declarator="void at_{address}(void)",
    binding=f"""
function = "at_{{address}}"
declare = "int32_t {", ".join(f"r{n}" for n in range(32))}; uint8_t *ram;"
setup = "ram = {{memory}};"
call = "{{function}}()"
prototype = "void {{function}}(void)"
gpr = "r{{n}}"
memory_order = "word-swapped"
""",
)

_TALLY = """
[guest]
image = "unused.elf"
abi = "{abi}"
[translated]
sources = ["*.c"]
include = ["."]
headers = ["guest.h"]
compilers = ["{compiler}"]
seconds = 0.1
[translated.binding]
"""

#: What the functions of tests use of the host.
_HEADERS = ("fenv", "signal", "stdio", "stdlib", "string", "unistd")


@dataclass(frozen=True)
class Named:
    """A guest function as the build wants it."""

    name: str
    address: int
    segment: str = ""


def project(
    folder: Path, style: Style, bodies: Mapping[str, str], abi: str = "o32", compiler: str = "gcc -O2"
) -> Build:
    """Writes C functions with these bodies, in their order, and a tally.toml; gives its only build."""
    (folder / "guest.h").write_text(style.header)
    text = '#include "guest.h"\n' + "".join(f"#include <{name}.h>\n" for name in _HEADERS)
    for function, body in zip(functions(bodies), bodies.values(), strict=True):
        head = style.declarator.replace("{name}", function.name)
        text += head.replace("{address}", f"{function.address & 0xFFFF_FFFF:08x}") + "\n{\n" + body + "\n}\n"
    (folder / "all.c").write_text(text)
    tally = folder / "tally.toml"
    tally.write_text(_TALLY.format(abi=abi, compiler=compiler) + style.binding)
    return load_config(tally).builds[0]


def functions(names: Mapping[str, str]) -> list[Named]:
    """Guest functions of these names, 16 bytes each from ``CODE`` on."""
    return [Named(name, CODE + 16 * number) for number, name in enumerate(names)]


#: Functions that lie beyond the image.
BEYOND = (Named("port_send", 0xFFFF_FFFF_8000_0400), Named("port_take", 0xFFFF_FFFF_8000_0410))


def library(
    build: Build, bodies: Mapping[str, str], missing: tuple[str, ...] = (), outside: tuple[str, ...] = ()
) -> Library:
    """The library of ``bodies``; the guest has the functions in ``missing`` too, and those in ``outside`` are that."""
    named = functions({**bodies, **dict.fromkeys(missing, "")})
    (one,) = build_libraries(build, named, [each for each in named if each.name in outside], BEYOND)
    return one


class Bench:
    """An engine on a library of hand-written functions, called by name."""

    def __init__(self, build: Build, bodies: Mapping[str, str], missing: tuple[str, ...] = ()) -> None:
        self.functions = {one.name: one.address for one in functions({**bodies, **dict.fromkeys(missing, "")})}
        self.library = library(build, bodies, missing)
        self.engine = Translated(build, self.library)
        self.fr = build.guest.fr

    def load(self, name: str) -> None:
        """Makes ``name`` the function that the engine calls."""
        self.engine.load(Target(name, self.functions[name], 16, (CODE_REGION,), self.fr))

    def state(self, data: bytes = b"", **registers: int) -> MachineState:
        """A state with values of their own in all registers, some of them given as ``r4=...``; and a page of data."""
        gpr = [0x100 + n for n in range(32)]
        gpr[0], gpr[31] = 0, RETURN_ADDRESS
        for name, value in registers.items():
            gpr[int(name.removeprefix("r"))] = value
        memory = (
            CODE_REGION,
            Region(DATA, data.ljust(PAGE, b"\0"), writable=True, name="data"),
            Region(FIXED, b"\x11\x22\x33\x44".ljust(PAGE, b"\0"), writable=False, name="fixed"),
        )
        return MachineState(CODE, tuple(gpr), 1, 2, tuple(range(0x200, 0x220)), 3, self.fr, memory)
