"""A case as one C file: it compiles without the harness, and shows what the case shows."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
import tied_project as project

from harness.cli import run
from harness.explain.standalone import write_standalone
from harness.store.cases import load_case


@pytest.mark.parametrize("wrong", [{0x04: "{2} = (int64_t)((uint32_t){4} >> 2);"}, {0x18: "put(m, {6}, {2} ^ 1);"}])
def test_the_file_prints_what_the_case_says_and_ends_with_status_1(tmp_path: Path, wrong: dict[int, str]) -> None:
    case = project.case_of(project.make(tmp_path, wrong))
    file = tmp_path / "case.c"
    assert run(["explain", str(case), "--standalone", str(file)]) == 1
    command = ["cc", "-O1", "-w", file, "-o", tmp_path / "case"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    said = subprocess.run([tmp_path / "case"], capture_output=True, text=True, check=False)
    values = load_case(case).first_difference.values
    lines = [line.split(" = ") for line in said.stdout.splitlines()]
    assert [line[1] for line in lines] == [values["reference"], values["cc -O1"]]
    assert said.returncode == 1


def test_a_function_that_a_macro_of_another_file_defines_goes_into_the_file(tmp_path: Path) -> None:
    wrong = "{ extern int64_t as_it_is(int64_t); {2} = as_it_is((int64_t)((uint32_t){4} >> 2)); }"
    tally = project.make(tmp_path, {0x04: wrong})
    made = "#include <stdint.h>\n#define MADE(name) int64_t name(int64_t a) { return a; }\nMADE(as_it_is)\n"
    (tmp_path / "c" / "made.c").write_text(made)
    file = tmp_path / "case.c"
    write_standalone(project.case_of(tally), file)
    subprocess.run(["cc", "-O1", "-w", file, "-o", tmp_path / "case"], check=True)
    assert subprocess.run([tmp_path / "case"], check=False).returncode == 1


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ("__builtin_trap();", "stopped by signal 4"),  # SIGILL, which GCC's trap raises on x86-64 (GCC manual)
        ("put(m, 0x87000000u, 1);", "stopped by signal 11"),  # SIGSEGV: nothing is there
        ("for (;;) taken = 0;", "no end after 1 s"),
    ],
    ids=["trap", "wild", "hang"],
)
def test_a_c_that_stops_or_never_ends_does_so_in_the_file_too(tmp_path: Path, wrong: str, said: str) -> None:
    case = project.case_of(project.make(tmp_path, {0x04: wrong}))
    file = tmp_path / "case.c"
    write_standalone(case, file)
    subprocess.run(["cc", "-O1", "-w", file, "-o", tmp_path / "case"], check=True)
    done = subprocess.run([tmp_path / "case"], capture_output=True, text=True, check=False)
    first, second = done.stdout.splitlines()
    assert first == "expected  returns"
    assert second.startswith(f"actual    {said}")
    assert done.returncode == 1
