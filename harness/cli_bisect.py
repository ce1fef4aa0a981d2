"""The verb ``tallystick bisect``: which functions below an entry are to blame."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli_shared import FILE, build_option, json_option, seed_option, states_option
from harness.culprits import bisect_status
from harness.report.bisect import bisect_document, print_bisect
from harness.report.jsonout import write_json
from harness.report.terminal import make_console


@click.command(short_help="Find the functions to blame for what goes wrong below one.")
@click.argument("config", type=FILE)
@click.argument("entry")
@build_option
@click.option("--case", type=FILE, metavar="FILE", help="Begin with the state of this saved case of ENTRY.")
@states_option(meaning="States of the entry (16; with --case 1).")
@seed_option
@json_option
@click.option("--for-git-bisect", is_flag=True, help="Exit with 125 where nothing can be said, for `git bisect run`.")
def bisect(
    config: Path,
    entry: str,
    build: str,
    case: Path | None,
    states: int | None,
    seed: int | None,
    json_file: Path | None,
    for_git_bisect: bool,
) -> int:
    """Finds the functions to blame for what goes wrong in ENTRY or in anything that it calls.

    The whole call tree runs in the reference and as C, side by side, call by call. A function whose own code goes wrong
    is then run by the reference, and the C goes on without it, until nothing differs any more.

    \b
    Example:
      tallystick bisect fixtures/tideclock/faulty.toml adpcm_decode_block
    """
    from harness.bisect.search import bisect  # slow to import, and `--help` needs none of it
    from harness.check import Options

    results = bisect(config, entry, Options(build=build, states=states, seed=seed), case)
    print_bisect(make_console(), results)
    if json_file is not None:
        write_json(bisect_document(results), json_file)
    return bisect_status(results)
