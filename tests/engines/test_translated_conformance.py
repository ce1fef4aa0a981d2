"""The translated leg against the conformance suite, through twins: C that does what a case's guest code does."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest
from c_translations import CODE, GLOBALS, STRUCT, Style, functions, library, project
from conformance import Case, check, twins

from harness.config.builds import Build
from harness.engines.base import StopKind
from harness.engines.translated import Translated
from harness.translated.build import Library

#: C for both styles by name of the case.
COMMON = {
    "the zero register reads as zero after a write": "R(0) = 12; R(2) = 0;",
    "a delay slot runs before the target of its branch": "R(2) = 1; R(3) = R(2) + 1;",
    "a likely branch that is taken runs its slot": "if (R(4) == 0) R(2) = 1; else R(3) = 99;",
    "a likely branch that is not taken skips its slot": "if (R(4) == 0) R(2) = 1; else R(3) = 2;",
    "lb takes its bytes in order and extends them": "R(2) = (int8_t)AT(R(4));",
    "lbu takes its bytes in order and extends them": "R(2) = AT(R(4) + 3);",
    "lh takes its bytes in order and extends them": "R(2) = (int16_t)(AT(R(4) + 2) << 8 | AT(R(4) + 3));",
    "lhu takes its bytes in order and extends them": "R(2) = AT(R(4)) << 8 | AT(R(4) + 1);",
    "read-only memory can be read": "R(2) = (int32_t)LOAD32(R(4));",
    "memory holds what the state says": "R(2) = (int32_t)LOAD32(R(4));",
    "code can be read as data": "R(2) = (int32_t)LOAD32(R(4));",
    "code need not be part of the state": "R(2) = (int32_t)LOAD32(R(4));",
    "lw takes its bytes in order and extends them": "R(2) = (int32_t)LOAD32(R(4) + 4);",
    "a loop that fits its fuel returns": "do R(4) = (int32_t)(R(4) - 1); while ((int32_t)R(4) >= 0);",
    "an endless loop uses up its fuel": "volatile int on = 1; while (on) R(2) += 1;",
    "running twice gives the same": "R(2) = (int32_t)(LOAD32(R(4)) + 1); STORE32(R(4), R(2));",
    "a call of an external is an event and leaves what it must preserve": """
        R(16) = R(31); R(31) = (int32_t)0x8000100c; R(4) = 5; CALL(port_send, 80000400);""",
    "externals are told in the order of their calls": """
        R(16) = R(31); R(4) = 5; CALL(port_send, 80000400); CALL(port_take, 80000410);
        R(31) = (int32_t)0x8000101c; R(4) = 6; CALL(port_send, 80000400);""",
    "a jump to an external returns to the caller": "R(4) = 7; CALL(port_send, 80000400);",
    "an external sees memory and fills it": """
        R(16) = R(31); R(31) = (int32_t)0x8000100c; CALL(port_send, 80000400);""",
    "what an external cannot see is told as such": """
        R(16) = R(31); R(31) = (int32_t)0x8000100c; CALL(port_send, 80000400);""",
    "memory round an external reads the same on every leg": "R(2) = (int32_t)LOAD32(R(4));",
    "a run that does nothing but call outside is stopped": "for (;;) { R(4) = 5; CALL(port_send, 80000400); }",
}

#: C for 64-bit registers only.
WIDE = {
    "lwu takes its bytes in order and extends them": "R(2) = LOAD32(R(4) + 4);",
    "ld takes its bytes in order and extends them": "R(2) = (uint64_t)LOAD32(R(4)) << 32 | LOAD32(R(4) + 4);",
    "sb stores the low bytes in order": "AT(R(4) + 5) = (uint8_t)R(5);",
    "sh stores the low bytes in order": "AT(R(4) + 6) = (uint8_t)(R(5) >> 8); AT(R(4) + 7) = (uint8_t)R(5);",
    "sw stores the low bytes in order": "STORE32(R(4) + 4, (uint32_t)R(5));",
    "sd stores the low bytes in order": "STORE32(R(4) + 8, R(5) >> 32); STORE32(R(4) + 12, R(5));",
    "a device gives what is drawn and takes what is written in order": """
        R(2) = (int32_t)device_read32(R(4) + 4); R(3) = device_read16(R(4) + 6); R(4) = device_read8(R(4) + 3);
        device_write8(R(5) + 1, R(8)); device_write16(R(5) + 2, R(8)); device_write32(R(5) + 8, R(8));""",
    "a device stands in both views of memory": "device_write32(R(4), R(8)); device_write32(R(5), R(8));",
    "eight bytes to a device are two words": "device_write64(R(4) + 8, R(8)); R(2) = device_read64(R(4) + 16);",
    "a delay slot reaches a device once": "device_write32(R(4), R(8)); R(3) = (int32_t)device_read32(R(4) + 4);",
}

FLAT = {
    "add.s adds the low words with fr set": """
        float a, b; memcpy(&a, &g->f[4], 4); memcpy(&b, &g->f[6], 4); a += b; memcpy(&g->f[2], &a, 4);""",
    "add.d works on odd registers with fr set": """
        double a, b; memcpy(&a, &g->f[3], 8); memcpy(&b, &g->f[5], 8); a += b; memcpy(&g->f[1], &a, 8);""",
    "dmtc1 and dmfc1 move 64 bits with fr set": "g->f[3] = R(4); R(2) = g->f[3];",
    "arguments lie in floating-point registers and on the stack": """
        R(16) = R(31); R(31) = (int32_t)0x8000100c; CALL(port_send, 80000400);""",
}

PAIRED = {
    "add.d adds pairs with fr clear": """
        uint64_t x = (uint64_t)g->word[5] << 32 | g->word[4], y = (uint64_t)g->word[7] << 32 | g->word[6];
        double a, b; memcpy(&a, &x, 8); memcpy(&b, &y, 8); a += b; memcpy(&x, &a, 8);
        g->word[2] = (uint32_t)x; g->word[3] = (uint32_t)(x >> 32);""",
    "add.s adds single registers with fr clear": """
        float a, b; memcpy(&a, &g->word[4], 4); memcpy(&b, &g->word[6], 4); a += b; memcpy(&g->word[2], &a, 4);""",
}


@dataclass(frozen=True)
class Twins:
    """The bodies of one style under one convention, and what that style cannot see."""

    style: Style
    abi: str
    bodies: dict[str, str]
    unseen: frozenset[str] = frozenset()


SUITES = {
    "struct flat": Twins(STRUCT, "n32", COMMON | WIDE | FLAT),
    "struct paired": Twins(STRUCT, "o32", PAIRED),
    "globals": Twins(GLOBALS, "n32", COMMON, frozenset({"hi", "lo", "fpr", "fcsr"})),
}


@pytest.fixture(scope="module")
def libraries(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, tuple[Build, Library]]]:
    made = {}
    for name, suite in SUITES.items():
        bodies = {f"case{number}": body for number, body in enumerate(suite.bodies.values())}
        folder: Path = tmp_path_factory.mktemp("twins")
        build = project(folder, suite.style, bodies, suite.abi)
        made[name] = (build, library(build, bodies))
        assert list(made[name][1].entries) == [one.address for one in functions(bodies)]
    yield made


@pytest.mark.parametrize(
    ("suite", "case"), [(suite, case) for suite, held in SUITES.items() for case in twins(held.bodies)], ids=str
)
def test_the_translated_leg_conforms(libraries: dict[str, tuple[Build, Library]], suite: str, case: Case) -> None:
    build, made = libraries[suite]
    number = list(SUITES[suite].bodies).index(case.name)
    engine = Translated(build, replace(made, entries={CODE: number}))
    check(engine, case, SUITES[suite].unseen, out_of_fuel=StopKind.HANG)
