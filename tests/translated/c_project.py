"""A folder with a tally.toml and C files, as a user has it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.config import Build, load_config
from harness.translated.build import Library, build_libraries

HEADER = """#include <stdint.h>
struct guest { uint64_t r[32]; double d[32]; };
"""

GOOD = '#include "guest.h"\nvoid tide(struct guest *g, uint8_t *m) { (void)m; g->r[2] = 1; }\n'

TALLY = """
[guest]
image = "unused.elf"
fpu = "flat"
[translated]
sources = ["c/*.c"]
include = ["c"]
headers = ["guest.h"]
compilers = ["gcc -O1"]
[translated.binding]
declare = "static struct guest g;"
call = "{function}(&g, {memory})"
prototype = "void {function}(struct guest *g, uint8_t *m)"
gpr = "g.r[{n}]"
"""


@dataclass(frozen=True)
class Named:
    """A guest function as the build wants it."""

    name: str
    address: int
    segment: str = ""


TIDE = Named("tide", 0xFFFF_FFFF_8000_1000)
EBB = Named("ebb", 0xFFFF_FFFF_8000_1010)


def write(folder: Path, tally: str = TALLY, **files: str) -> Build:
    """Writes the project; ``files`` are C files by stem, and ``guest`` replaces the header. Gives its only build."""
    (folder / "c").mkdir(exist_ok=True)
    (folder / "c" / "guest.h").write_text(files.pop("guest", HEADER))
    for stem, text in files.items():
        (folder / "c" / f"{stem}.c").write_text(text)
    (folder / "tally.toml").write_text(tally)
    return load_config(folder / "tally.toml").builds[0]


def built(build: Build, *functions: Named) -> Library:
    """The build's only library."""
    (library,) = build_libraries(build, functions or (TIDE,))
    return library
