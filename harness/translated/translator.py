"""Runs the translator of ``[translator]`` when its inputs have changed since its last success."""

from __future__ import annotations

import fcntl
import os
import shlex
import signal
import subprocess
import sys
from pathlib import Path

from harness.config import Build, Translator
from harness.errors import UsageError
from harness.translated.binding import filled
from harness.translated.build import matching
from harness.translated.cache import digest, keep
from harness.translated.compiler import shown

#: Written into the output folder after a success: a hash of everything that the output depends on.
_STAMP = ".tallystick-inputs"
_LOCK = ".tallystick-lock"


def run_translator(build: Build) -> bool:
    """Makes the translated C of ``build`` if it has a translator and its inputs changed; tells whether it ran.

    The inputs are the guest image, the files of ``inputs`` and the command itself; a command that lies in the folder
    of the file is not among them unless ``inputs`` says so.

    Errors: ``UsageError`` with the command's own words when it fails, cannot be started or takes too long.
    """
    translator = build.translator
    if translator is None:
        return False
    where = f"{build.file} [translator]"
    wanted = _inputs_hash(build, translator, where)
    stamp = translator.output / _STAMP
    try:
        translator.output.mkdir(parents=True, exist_ok=True)
        lock = (translator.output / _LOCK).open("w")
    except OSError as error:
        raise UsageError(f"{where} output", "cannot be made", got=f"{translator.output}: {_reason(error)}") from None
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # until it is closed: another check of the same file waits
        if stamp.exists() and stamp.read_text(encoding="utf-8") == wanted:
            return False
        stamp.unlink(missing_ok=True)
        _run(build, translator, where)
        made = stamp.with_suffix(".new")
        made.write_text(wanted, encoding="utf-8")
        keep(made, stamp)
    return True


def _inputs_hash(build: Build, translator: Translator, where: str) -> str:
    parts: list[str | bytes] = [translator.command, sys.executable]
    for key, files in (
        ("image", [build.guest.image]),
        ("inputs", matching(translator.inputs, build.folder, f"{where} inputs")),
    ):
        for file in files:
            try:
                parts += [str(file), file.read_bytes()]
            except OSError as error:
                table = f"{build.file} [guest] image" if key == "image" else f"{where} {key}"
                raise UsageError(table, "cannot be read", got=f"{file}: {_reason(error)}") from None
    return digest(*parts)


def _run(build: Build, translator: Translator, where: str) -> None:
    image, output = build.guest.image.resolve(), translator.output.resolve()
    try:
        command = [
            filled(word, python=sys.executable, image=str(image), output=str(output))
            for word in shlex.split(translator.command)
        ]
        status, said = _output(command, build.folder, translator.seconds)
    except ValueError as error:
        raise UsageError(f"{where} command", "not a command line", got=translator.command, help=str(error)) from None
    except OSError as error:
        raise UsageError(f"{where} command", "cannot be started", got=f"{command[0]}: {_reason(error)}") from None
    except subprocess.TimeoutExpired as error:
        words = _words(error.stdout)
        raise UsageError(
            f"{where} seconds", "the translator did not end in time", got=f"{translator.seconds} s", help=words
        ) from None
    if status != 0:
        raise UsageError(
            f"{where} command",
            "the translator failed",
            got=f"exit status {status}",
            help=_words(said) + f"\nto repeat it: cd {shlex.quote(str(build.folder))} && {shlex.join(command)}",
        )


def _output(command: list[str], folder: Path, seconds: float) -> tuple[int, bytes]:
    """Exit status and words of a command, which does not outlive this call, nor does what it started.

    Errors: ``OSError`` where it cannot be started, ``TimeoutExpired`` with its words so far.
    """
    process = subprocess.Popen(
        command,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        start_new_session=True,
    )
    with process:
        try:
            said, _ = process.communicate(timeout=seconds)
        except BaseException:  # the time is up, or Ctrl-C: neither may leave it running
            os.killpg(process.pid, signal.SIGKILL)
            raise
    return process.returncode, said


def _words(output: bytes | None) -> str:
    text = (output or b"").decode(errors="replace")
    return f"it said:\n{shown(text)}" if text.strip() else "it said nothing"


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
