"""From C sources to a library: what can be called, what is compiled again, and what the user reads when it fails."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest
from c_project import EBB, GOOD, HEADER, TALLY, TIDE, Named, built, write

from harness.config import Build
from harness.errors import UsageError
from harness.translated.build import MISSING, SHARED, STATIC, build_libraries
from harness.translated.symbols import function_at


def refusal(build: Build, *functions: Named) -> UsageError:
    with pytest.raises(UsageError) as caught:
        built(build, *functions)
    return caught.value


def files(build: Build, pattern: str) -> set[Path]:
    return set((build.folder / ".tallystick" / "build").glob(pattern))


# --- what can be called ---


def test_functions_that_the_c_has_can_be_called_and_the_others_say_why(tmp_path: Path) -> None:
    library = built(write(tmp_path, all=GOOD), EBB, TIDE)
    assert library.entries == {TIDE.address: 0}
    assert library.missing == {EBB.address: MISSING}
    assert library.externals == ()


def test_a_static_function_says_that_it_is_static(tmp_path: Path) -> None:
    text = GOOD + "__attribute__((used)) static void ebb(struct guest *g, uint8_t *m) { (void)g; (void)m; }\n"
    assert built(write(tmp_path, all=text), EBB).missing == {EBB.address: STATIC}


def test_guest_functions_that_share_one_c_name_are_not_confused(tmp_path: Path) -> None:
    local = Named("tide", 0xFFFF_FFFF_8000_1020)  # as two files' static functions have one name
    library = built(write(tmp_path, all=GOOD), TIDE, local)
    assert library.missing == {TIDE.address: SHARED, local.address: SHARED}


def test_c_that_finds_functions_by_address_needs_no_name_for_each(tmp_path: Path) -> None:
    tally = TALLY.replace("{function}(&g, {memory})", "go(0x{address})").replace(
        "[translated.binding]", "[translated.binding]\nfunction = ''"
    )
    library = built(
        write(
            tmp_path,
            tally,
            all="#include <stdint.h>\nvoid go(uint32_t at) { (void)at; }\n",
            guest=HEADER + "void go(uint32_t);\n",
        ),
        TIDE,
        EBB,
    )
    assert library.entries == {TIDE.address: 0, EBB.address: 1}


def test_undefined_functions_are_externals_but_those_of_the_host_are_not(tmp_path: Path) -> None:
    text = """#include "guest.h"
#include <math.h>
#include <stdlib.h>
void ring_bell(struct guest *g, uint8_t *m);
void tide(struct guest *g, uint8_t *m)
{
    unsigned __int128 wide = (unsigned __int128)g->r[4] << 64 | g->r[5];
    g->r[2] = (uint64_t)(wide / (g->r[6] | 1)) + (uint64_t)abs((int)g->r[4]);
    g->d[0] = sin(g->d[1]);
    if (g->r[4]) exit(1); else ring_bell(g, m);
}
"""
    assert built(write(tmp_path, all=text)).externals == ("ring_bell",)


def test_globals_may_be_defined_by_the_binding(tmp_path: Path) -> None:
    tally = TALLY.replace("static struct guest g;", "struct guest g; int moon;")
    text = GOOD + "extern int moon; int phase(void) { return moon; }\n"
    assert built(write(tmp_path, tally, all=text)).externals == ()


def test_the_function_at_an_offset_of_the_library_is_named(tmp_path: Path) -> None:
    library = built(write(tmp_path, all=GOOD))
    starts = [offset for offset in range(0x4000) if function_at(library.path, offset) == "tide"]
    assert starts == list(range(starts[0], starts[-1] + 1))
    assert function_at(library.path, 0) == ""


# --- what is compiled again ---


def test_nothing_is_compiled_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first = built(write(tmp_path, all=GOOD))
    log = count_compiler_runs(tmp_path, monkeypatch)
    again = built(write(tmp_path, all=GOOD))
    assert again == first
    assert log() == ["--version"]


def test_a_changed_header_makes_another_library(tmp_path: Path) -> None:
    first = built(write(tmp_path, all=GOOD))
    changed = built(write(tmp_path, all=GOOD, guest=HEADER + "#define SPRING 1\n"))
    back = built(write(tmp_path, all=GOOD))
    assert first.path != changed.path
    assert first.path == back.path


def test_a_changed_source_makes_another_object_and_the_others_stay(tmp_path: Path) -> None:
    build = write(tmp_path, all=GOOD, other="int unrelated;\n")
    built(build)
    before = files(build, "*.o")
    built(write(tmp_path, all=GOOD.replace("= 1", "= 2"), other="int unrelated;\n"))
    assert len(files(build, "*.o") - before) == 1


def test_another_option_or_binding_makes_another_library(tmp_path: Path) -> None:
    paths = {
        built(write(tmp_path, tally, all=GOOD)).path
        for tally in (TALLY, TALLY.replace("-O1", "-O0"), TALLY.replace("g.r[{n}]", "(g.r)[{n}]"))
    }
    assert len(paths) == 3


def test_no_scratch_is_left_in_the_store(tmp_path: Path) -> None:
    build = write(tmp_path, all=GOOD)
    built(build)
    assert not [path for path in files(build, "*") if path.is_dir()]
    assert {path.suffix for path in files(build, "*")} == {".c", ".o", ".inputs", ".so", ""}


def test_one_library_comes_from_each_compiler_in_their_order(tmp_path: Path) -> None:
    build = write(tmp_path, TALLY.replace('["gcc -O1"]', '["gcc -O2", "gcc -O0"]'), all=GOOD)
    libraries = build_libraries(build, [TIDE])
    assert [library.compiler.command for library in libraries] == ["gcc -O2", "gcc -O0"]
    assert libraries[0].compiler.version.startswith("gcc")


def test_relative_options_of_a_compiler_are_seen_from_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tally = TALLY.replace("gcc -O1", "gcc -O1 -Iextra")
    (tmp_path / "extra").mkdir()
    (tmp_path / "extra" / "moon.h").write_text("#define MOON 1\n")
    monkeypatch.chdir("/")
    first = built(write(tmp_path, tally, all='#include "moon.h"\n' + GOOD))
    (tmp_path / "extra" / "moon.h").write_text("#define MOON 2\n")
    assert built(write(tmp_path, tally, all='#include "moon.h"\n' + GOOD)).path != first.path


def test_folders_with_spaces_and_signs_do_no_harm(tmp_path: Path) -> None:
    folder = tmp_path / "tide clock [v2] $x #1"
    folder.mkdir()
    built(write(folder, all=GOOD))
    assert built(write(folder, all=GOOD)).entries == {TIDE.address: 0}


# --- what the user reads ---


@pytest.mark.parametrize(
    ("key", "before", "after", "said"),
    [
        ("gpr", "g.r[{n}]", "g.rr[{n}]", "no member named 'rr'"),
        ("gpr", "g.r[{n}]", "(char)g.r[{n}]", "must name 4 or 8 bytes"),
        ("call", "{function}(&g, {memory})", "{function}(&g, {memory}", "expected"),
        ("declare", "static struct guest g;", "static struct guest g = 5;", "invalid initializer"),
        ("prototype", "uint8_t *m", "uint8_t **m", "conflicting types"),
    ],
)
def test_a_binding_that_does_not_compile_names_its_key(
    tmp_path: Path, key: str, before: str, after: str, said: str
) -> None:
    error = refusal(
        write(
            tmp_path,
            TALLY.replace(before, after, 1),
            all=GOOD,
            guest=HEADER + "void tide(struct guest *g, uint8_t *m);\n",
        )
    )
    assert error.where == f"{tmp_path}/tally.toml [translated.binding] {key}"
    assert error.what == "does not compile with gcc -O1"
    assert said in error.help


@pytest.mark.parametrize(
    ("key", "said"), [("fpr = 'g.r[{n}]'", ""), ("fpr = '*(float *)&g.r[{n}]'", "must name 8 bytes")]
)
def test_a_flat_fpr_must_have_eight_bytes(tmp_path: Path, key: str, said: str) -> None:
    build = write(tmp_path, TALLY + key + "\n", all=GOOD)
    if not said:
        built(build)
    else:
        assert said in str(refusal(build))


def test_a_header_that_is_not_there_names_the_key(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, TALLY.replace('"guest.h"', '"ghost.h"'), all=GOOD))
    assert error.where == f"{tmp_path}/tally.toml [translated] headers"


def test_c_that_does_not_compile_gives_the_compilers_words_and_the_function(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, all=GOOD.replace("= 1", "= ebbing")))
    assert error.where == f"{tmp_path}/c/all.c:2"
    assert error.what == "does not compile with gcc -O1, in function tide"
    assert error.got.startswith("'ebbing' undeclared")
    assert error.help.startswith("the compiler said:\n")


def test_two_functions_of_one_name_give_the_linkers_words(tmp_path: Path) -> None:
    assert "multiple definition of `tide'" in str(refusal(write(tmp_path, all=GOOD, twice=GOOD)))


def test_an_undefined_function_without_a_prototype_asks_for_one(tmp_path: Path) -> None:
    tally = "\n".join(line for line in TALLY.splitlines() if not line.startswith("prototype"))
    text = GOOD.replace("g->r[2] = 1;", "ring_bell();").replace("void tide", "void ring_bell(void);\nvoid tide")
    guest = HEADER + "void tide(struct guest *g, uint8_t *m);\n"
    error = refusal(write(tmp_path, tally, all=text, guest=guest))
    assert error.where == f"{tmp_path}/tally.toml [translated.binding] prototype"
    assert error.got == "ring_bell"


def test_an_undefined_variable_is_not_taken_for_a_function(tmp_path: Path) -> None:
    text = GOOD.replace("= 1;", "= moon;")
    error = refusal(write(tmp_path, all=text, guest=HEADER + "extern int moon;\n"))
    assert "'moon' redeclared" in str(error)


def test_sources_that_match_nothing_are_said_so(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, TALLY.replace("c/*.c", "d/*.c"), all=GOOD))
    assert (error.where, error.what) == (f"{tmp_path}/tally.toml [translated] sources", "no file matches")


@pytest.mark.parametrize(
    ("command", "got"),
    [("no-such-compiler -O2", "no-such-compiler"), ("'gcc -O2", '"\'gcc -O2"'), ("", "an empty command")],
)
def test_a_compiler_that_is_not_there_is_said_so(tmp_path: Path, command: str, got: str) -> None:
    error = refusal(write(tmp_path, TALLY.replace('"gcc -O1"', f'"{command}"'), all=GOOD))
    assert error.where == f"{tmp_path}/tally.toml [translated] compilers"
    assert error.got == got


def test_a_compiler_that_is_no_compiler_is_said_so(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, TALLY.replace("gcc -O1", "false"), all=GOOD))
    assert error.what == "compiler does not answer --version"
    assert error.got == "exit status 1"


def test_link_time_optimisation_is_refused_with_a_way_out(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, TALLY.replace("-O1", "-O1 -flto"), all=GOOD))
    assert "-ffat-lto-objects" in error.help


def test_a_store_that_cannot_be_made_is_said_so(tmp_path: Path) -> None:
    (tmp_path / ".tallystick").write_text("in the way")
    error = refusal(write(tmp_path, all=GOOD))
    assert (error.what, error.got) == ("cannot be written", "not a directory")


def test_a_source_that_cannot_be_read_is_said_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    build = write(tmp_path, all=GOOD)
    read = Path.read_bytes

    def refuse(path: Path) -> bytes:
        if path.suffix == ".c":
            raise PermissionError(13, "Permission denied")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", refuse)
    error = refusal(build)
    assert str(error) == f"{tmp_path / 'c' / 'all.c'}: cannot be read: got permission denied"


def test_a_function_defined_in_two_sources_is_said_so(tmp_path: Path) -> None:
    error = refusal(write(tmp_path, all=GOOD, again=GOOD))
    assert error.where == f"{tmp_path / 'tally.toml'} [translated] sources"
    assert error.what == "do not link with gcc -O1"
    assert error.got.startswith("multiple definition of `tide'")


# --- help ---


def count_compiler_runs(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[], list[str]]:
    """Puts a gcc first on the PATH that notes its last argument; gives what reads the notes."""
    real = shutil.which("gcc")
    place = folder / "noting"
    place.mkdir()
    script = place / "gcc"
    script.write_text(f'#!/bin/sh\nfor last; do :; done\necho "$last" >> {place}/log\nexec {real} "$@"\n')
    script.chmod(script.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{place}{os.pathsep}{os.environ['PATH']}")
    return lambda: (place / "log").read_text().split()


def test_two_processes_at_once_compile_once(tmp_path: Path) -> None:
    log = tmp_path / "log"
    compiler = tmp_path / "counting-cc"
    compiler.write_text(f'#!/bin/sh\ncase "$*" in *" -c "*) echo "$*" >> {log}; sleep 0.3 ;; esac\nexec gcc "$@"\n')
    compiler.chmod(0o755)
    build = write(tmp_path, TALLY.replace("gcc -O1", f"{compiler} -O1"), all=GOOD)
    with ProcessPoolExecutor(2, get_context("fork")) as pool:
        first, second = pool.map(built, [build, build])
    assert first.path == second.path
    assert sorted("glue" in line for line in log.read_text().splitlines()) == [False, True]
