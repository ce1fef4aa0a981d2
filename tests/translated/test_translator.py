"""The translator's command: when it runs, and what the user reads when it does not do its work."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from harness.config import Build, load_config
from harness.errors import UsageError
from harness.translated.translator import run_translator

SCRIPT = """
import pathlib, sys
image, output = map(pathlib.Path, sys.argv[1:])
(output / "made.c").write_text("/* " + image.read_text() + " */")
with (output / "runs").open("a") as log: log.write("x")
"""

TALLY = """
[guest]
image = "clock.elf"
[translator]
command = "{python} tools/translate.py {image} {output}"
inputs = ["tools/*.py"]
output = "made here"
seconds = 1
"""


def project(folder: Path, tally: str = TALLY, script: str = SCRIPT) -> Build:
    (folder / "tools").mkdir(exist_ok=True)
    (folder / "tools" / "translate.py").write_text(script)
    (folder / "clock.elf").write_text("neap")
    (folder / "tally.toml").write_text(tally)
    return load_config(folder / "tally.toml").builds[0]


def refusal(build: Build) -> UsageError:
    with pytest.raises(UsageError) as caught:
        run_translator(build)
    return caught.value


def test_a_build_without_a_translator_needs_nothing(tmp_path: Path) -> None:
    assert run_translator(project(tmp_path, '[guest]\nimage = "clock.elf"\n')) is False


def test_it_runs_once_in_the_folder_of_the_file_and_then_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir("/")
    build = project(tmp_path)
    assert [run_translator(build) for _ in range(3)] == [True, False, False]
    assert (tmp_path / "made here" / "made.c").read_text() == "/* neap */"
    assert (tmp_path / "made here" / "runs").read_text() == "x"


@pytest.mark.parametrize("changed", ["image", "input", "new input", "command"])
def test_it_runs_again_when_an_input_changed(tmp_path: Path, changed: str) -> None:
    run_translator(project(tmp_path))
    build = project(tmp_path, TALLY.replace("{image}", "{image} ") if changed == "command" else TALLY)
    if changed == "image":
        (tmp_path / "clock.elf").write_text("spring")
    elif changed == "input":
        (tmp_path / "tools" / "translate.py").write_text(SCRIPT + "# new\n")
    elif changed == "new input":
        (tmp_path / "tools" / "moon.py").write_text("")
    assert [run_translator(build) for _ in range(2)] == [True, False]


def test_a_failure_shows_the_words_of_the_command_and_how_to_repeat_it(tmp_path: Path) -> None:
    error = refusal(project(tmp_path, script="import sys\nprint('no lowering for opcode 0x3f')\nsys.exit(4)\n"))
    assert (error.where, error.got) == (f"{tmp_path}/tally.toml [translator] command", "exit status 4")
    assert "no lowering for opcode 0x3f" in error.help
    assert f"to repeat it: cd {tmp_path} && " in error.help


def test_after_a_failure_it_runs_again_though_nothing_changed(tmp_path: Path) -> None:
    refusal(project(tmp_path, script="raise SystemExit(1)"))
    refusal(project(tmp_path, script="raise SystemExit(1)"))
    build = project(tmp_path)
    assert [run_translator(build), run_translator(build)] == [True, False]


def test_a_failure_does_not_leave_an_older_success_valid(tmp_path: Path) -> None:
    run_translator(project(tmp_path))
    refusal(project(tmp_path, script="raise SystemExit(1)"))
    assert run_translator(project(tmp_path)) is True


def test_a_command_that_takes_too_long_is_stopped(tmp_path: Path) -> None:
    error = refusal(project(tmp_path, script="import time\nprint('reading', flush=True)\ntime.sleep(30)\n"))
    assert (error.where, error.got) == (f"{tmp_path}/tally.toml [translator] seconds", "1.0 s")
    assert "reading" in error.help


def test_what_a_stopped_command_started_is_stopped_too(tmp_path: Path) -> None:
    script = """
import subprocess, sys
child = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"])
print(child.pid, flush=True)
child.wait()
"""
    words = refusal(project(tmp_path, script=script)).help
    process = Path("/proc") / words.split()[-1] / "stat"
    end = time.monotonic() + 10
    while process.exists() and process.read_text().rpartition(")")[2].split()[0] != "Z":
        assert time.monotonic() < end
        time.sleep(0.02)


def test_a_program_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    error = refusal(project(tmp_path, TALLY.replace("{python}", "no-such-program")))
    assert error.got == "no-such-program: no such file or directory"


def test_an_image_that_is_not_there_is_said_so(tmp_path: Path) -> None:
    build = project(tmp_path)
    (tmp_path / "clock.elf").unlink()
    assert refusal(build).where == f"{tmp_path}/tally.toml [guest] image"


def test_inputs_that_match_nothing_are_said_so(tmp_path: Path) -> None:
    error = refusal(project(tmp_path, TALLY.replace("tools/*.py", "tools/*.rs")))
    assert (error.where, error.what) == (f"{tmp_path}/tally.toml [translator] inputs", "no file matches")


def test_a_command_with_an_open_quote_is_said_so(tmp_path: Path) -> None:
    error = refusal(project(tmp_path, TALLY.replace("{output}", "'{output}")))
    assert error.what == "not a command line"
