"""The command ``tallystick``: reads options, calls a room, prints, and ends with a fixed exit status.

0 all compared functions agree; 1 at least one differs; 2 the user must change something; 3 nothing was compared, or
only inconclusive; 4 a fault of the harness.
"""

from __future__ import annotations

import errno
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from pathlib import Path

import click

from harness.cli_bisect import bisect
from harness.cli_explain import explain
from harness.cli_nightly import nightly, report
from harness.cli_opcodes import opcodes
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
from harness.errors import HarnessError, UsageError
from harness.report.explain import causes_document, print_causes
from harness.report.jsonout import check_document, write_json
from harness.report.selftest import difference_named, print_difference, print_selftest, selftest_document
from harness.report.survey import print_survey, survey_document
from harness.report.terminal import make_console, print_check, print_replay, timing_lines
from harness.results import exit_status

USAGE, NOTHING, FAULT = 2, 3, 4
#: What `git bisect run` takes for "this revision cannot be tested".
UNTESTABLE = 125
#: Findings of a check from which on it also says what they come of.
MANY = 4


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(package_name="tallystick")
def cli() -> None:
    """Checks C that was translated from MIPS R4300 machine code, function by function.

    The same function runs on the same states in a reference interpreter, in Unicorn and as the compiled C; the first
    register or memory byte that differs is reported.
    """


@cli.command(short_help="Check functions and report which differ.")
@click.argument("config", type=FILE)
@pattern_option
@states_option()
@seed_option
@workers_option
@scope_option
@build_option
@json_option
@click.option("--timing", is_flag=True, help="Print the share of each phase in the time spent.")
@click.option("--for-git-bisect", is_flag=True, help="Exit with 125 where nothing can be said, for `git bisect run`.")
def check(
    config: Path,
    pattern: str,
    states: int | None,
    seed: int | None,
    workers: int | None,
    scope: Scope | None,
    build: str,
    json_file: Path | None,
    timing: bool,
    for_git_bisect: bool,
) -> int:
    """Checks the functions of a program and reports which translated functions differ.

    \b
    Example:
      tallystick check fixtures/tideclock/tally.toml -k 'tide_*' --states 500
    """
    from harness.check import Options, check  # the engines are slow to import, and `--help` needs none of them

    options = Options(pattern, build, states, seed, scope, workers)
    console = make_console()
    with ProgressBar(console) as progress:
        result = check(config, options, progress.told)
    print_check(console, result)
    found = None
    if not for_git_bisect and sum(row.finding is not None for row in result.functions) >= MANY:
        from harness.explain.clusters import causes  # nothing of it is needed where all agree

        found = causes(result, workers)
        print_causes(console, found)
    if timing:
        for line in timing_lines(result):
            console.print(line)
    if json_file is not None:
        document = check_document(result)
        write_json({**document, "causes": causes_document(found)} if found is not None else document, json_file)
    return exit_status(result)


@cli.command(short_help="Run a saved case again.")
@click.argument("case", type=FILE)
@json_option
def replay(case: Path, json_file: Path | None) -> int:
    """Runs a saved case again and says whether it still differs.

    \b
    Example:
      tallystick replay fixtures/tideclock/.tallystick/cases/tide_height-3f2a90bd11c7.json
    """
    from harness.replaying import replay  # see check

    replayed = replay(case)
    print_replay(make_console(), replayed.result, replayed.saved)
    if json_file is not None:
        write_json(check_document(replayed.result), json_file)
    return exit_status(replayed.result)


@cli.command(short_help="Write a tally.toml to fill in.")
@click.argument("file", type=FILE, default="tally.toml")
def init(file: Path) -> int:
    """Writes a tally.toml to fill in, with every key explained; never over a file that is there.

    \b
    Example:
      tallystick init harbour/tally.toml
    """
    from harness.starter import write_starter  # see check

    write_starter(file)
    click.echo(f"wrote {file}: fill it in, then try `tallystick survey {file}`")
    return 0


@cli.command(short_help="List functions, calls and what is missing from the C.")
@click.argument("config", type=FILE)
@click.argument("pattern", default="")
@build_option
@json_option
def survey(config: Path, pattern: str, build: str, json_file: Path | None) -> int:
    """Lists the functions of a program, what they call, and whether they are translated.

    With a PATTERN that one function matches, also what that function reads.

    \b
    Example:
      tallystick survey fixtures/tideclock/tally.toml 'crc32*' --build o32-O1
    """
    from harness.survey import survey  # see check

    builds = survey(config, pattern, build)
    print_survey(make_console(), builds)
    if json_file is not None:
        write_json(survey_document(builds), json_file)
    return 0


@cli.command(short_help="Try the references on this machine.")
@click.argument("difference", default="", metavar="[ID]")
@json_option
def selftest(difference: str, json_file: Path | None) -> int:
    """Says why the references may be believed: a program computed by hand, and every known difference of Unicorn.

    With the ID of a known difference, everything about that one.

    \b
    Example:
      tallystick selftest
      tallystick selftest quiet-nan
    """
    from harness.selftest import selftest  # see check

    console, result = make_console(), selftest()
    if difference:
        print_difference(console, difference_named(result, difference))
    else:
        print_selftest(console, result)
    if json_file is not None:
        write_json(selftest_document(result), json_file)
    return 0 if result.good else FAULT


cli.add_command(nightly)
cli.add_command(bisect)
cli.add_command(opcodes)
cli.add_command(explain)
cli.add_command(report)


def main(arguments: Sequence[str] | None = None) -> None:
    """Runs the command line and ends the process with the status it comes to."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    status = run(words)
    if "--for-git-bisect" in words and status in (USAGE, NOTHING, FAULT):
        status = UNTESTABLE
    sys.exit(status)


def run(arguments: list[str]) -> int:
    """Runs the command line and gives the exit status; whatever goes wrong is told on stderr, never as a traceback."""
    try:
        status = cli.main(arguments, prog_name="tallystick", standalone_mode=False)
        return int(status or 0)
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return USAGE
    except click.ClickException as error:
        click.echo(str(_in_our_form(error)), err=True)
        return USAGE
    except UsageError as error:
        click.echo(str(error), err=True)
        return USAGE
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted", err=True)
        return NOTHING
    except HarnessError as error:
        click.echo(f"{error}\n{_kept()}", err=True)
        return FAULT
    except Exception as error:  # noqa: BLE001 - the last resort: details go to a file, the user sees one line
        if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT):
            where, reason = str(error.filename or "output"), os.strerror(error.errno).lower()
            click.echo(str(UsageError(where, "cannot be written", got=reason)), err=True)
            return USAGE
        click.echo(f"tallystick: unexpected {type(error).__name__}: {error}\n{_kept()}", err=True)
        return FAULT


def _in_our_form(error: click.ClickException) -> UsageError:
    """What click says of a wrong command line, as every other error of the user's is said."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    command = context.command_path if context else "tallystick"
    said = error.format_message().rstrip(".")
    return UsageError(command, said[0].lower() + said[1:], help=f"`{command} --help` explains the command line")


def _kept() -> str:
    """Keeps the traceback of the exception at hand in a file and says where."""
    with tempfile.NamedTemporaryFile("w", prefix="tallystick-", suffix=".txt", delete=False) as file:
        file.write(traceback.format_exc())
    return f"help: this is a fault of tallystick; please report it with {file.name}"
