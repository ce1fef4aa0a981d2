"""The verb ``tallystick opcodes``: probes written, probes checked, the test itself scored."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli_shared import (
    FILE,
    ProgressBar,
    build_option,
    json_option,
    pattern_option,
    scope_option,
    seed_option,
    states_option,
    workers_option,
)
from harness.config import Scope
from harness.evidence import score_status
from harness.report.evidence import ledger_document, print_ledger, require_page, write_page
from harness.report.jsonout import require_writable, write_json
from harness.report.score import print_score, score_document
from harness.report.terminal import make_console
from harness.results import exit_status


@click.group(short_help="Prove opcode lowerings with a program of probes.")
def opcodes() -> None:
    """Tries every opcode in every form by a program of tiny functions, the probes.

    \b
    Example:
      tallystick opcodes emit probes       writes the program, to be translated
      tallystick opcodes check tally.toml  runs its translation
      tallystick opcodes score tally.toml  says how good a check of your own C is
    """


@opcodes.command(short_help="Write the program of probes.")
@click.argument("folder", type=FILE, metavar="DIR")
def emit(folder: Path) -> int:
    """Writes the program of probes into DIR: an ELF file, a listing and the list of bins for paired and flat FPRs.

    \b
    Example:
      tallystick opcodes emit probes
    """
    from harness.opcodes.emit import emit  # slow to import, and `--help` needs none of it

    for line in emit(folder):
        click.echo(line)
    return 0


def _page(_: click.Context, __: click.Parameter, path: Path | None) -> Path | None:
    """Refuses a page that cannot be written before the work is done that it was to show."""
    if path is not None:
        require_page(path)
        require_writable(path)
    return path


@opcodes.command(short_help="Check the translation of the probes; give the ledger.")
@click.argument("config", type=FILE)
@pattern_option
@states_option(0, "States beyond those that the bins need.")
@seed_option
@workers_option
@scope_option
@build_option
@click.option("--faults", type=FILE, metavar="FILE", help="What planted faults showed, to stand in the ledger.")
@click.option("--page", type=FILE, metavar="FILE", callback=_page, help="Write the ledger to FILE.md or FILE.html.")
@json_option
def check(
    config: Path,
    pattern: str,
    states: int | None,
    seed: int | None,
    workers: int | None,
    scope: Scope | None,
    build: str,
    faults: Path | None,
    page: Path | None,
    json_file: Path | None,
) -> int:
    """Checks the translation of the probes and says what was tried of every opcode.

    \b
    Example:
      tallystick opcodes check tally.toml -k 'sltu*' --page ledger.html
    """
    from harness.check import Options, check  # see emit
    from harness.opcodes.ledger import ledger, read_faults
    from harness.opcodes.states import CHANCE
    from harness.opcodes.study import ProbeStudy

    found = read_faults(faults) if faults else {}
    options = Options(pattern, build, seed=seed, workers=workers, scope=scope)
    study = ProbeStudy(CHANCE if states is None else states)
    console = make_console()
    with ProgressBar(console) as progress:
        result = check(config, options, progress.told, study)
    made = ledger(result, found)
    print_ledger(console, made)
    if json_file is not None:
        write_json(ledger_document(made), json_file)
    if page is not None:
        write_page(made, page)
    return exit_status(result)


@opcodes.command(short_help="Score the check of your own C by mutants of it.")
@click.argument("config", type=FILE)
@pattern_option
@build_option
@click.option("--mutants", type=click.IntRange(1), default=10, metavar="N", help="Mutants of each function (10).")
@states_option()
@seed_option
@workers_option
@scope_option
@json_option
def score(
    config: Path,
    pattern: str,
    build: str,
    mutants: int,
    states: int | None,
    seed: int | None,
    workers: int | None,
    scope: Scope | None,
    json_file: Path | None,
) -> int:
    """Says how good a check of your C is with the settings that it has.

    Small changes are made in copies of the translated functions, one each, and every copy is checked: what no state
    notices is listed with its line. It measures the check, so that the exit status is 0 whatever the score; 3 where no
    mutant counts.

    \b
    Example:
      tallystick opcodes score tally.toml -k 'tide_*' --mutants 20
    """
    from harness.check import Options  # see emit
    from harness.opcodes.score import score

    options = Options(pattern, build, states, seed, scope, workers)
    console = make_console()
    with ProgressBar(console) as progress:
        result = score(config, options, mutants, progress.told)
    print_score(console, result)
    if json_file is not None:
        write_json(score_document(result), json_file)
    return score_status(result)
