"""The verbs ``tallystick nightly`` and ``tallystick report``: a night over a corpus, and the nights until now."""

from __future__ import annotations

import datetime
from pathlib import Path

import click

from harness.cli_shared import (
    FILE,
    ProgressBar,
    json_option,
    pattern_option,
    scope_option,
    seed_option,
    states_option,
    workers_option,
    writable,
)
from harness.config import Scope
from harness.report.jsonout import write_json
from harness.report.junit import night_junit
from harness.report.nights import night_document, night_markdown, print_history, print_night, write_text
from harness.report.terminal import make_console


def _date(_: click.Context, __: click.Parameter, value: datetime.datetime | None) -> datetime.date:
    return datetime.datetime.now(datetime.UTC).date() if value is None else value.date()


@click.command(short_help="Check a corpus as every night, and say what is new.")
@click.argument("corpus", type=FILE)
@pattern_option
@click.option("--tag", default="", metavar="TAG", help="Only programs with this tag.")
@states_option()
@seed_option
@workers_option
@scope_option
@click.option(
    "--date",
    type=click.DateTime(["%Y-%m-%d"]),
    callback=_date,
    metavar="DATE",
    help="The night's date, whose digits are the seed; today (UTC) by default.",
)
@click.option("--prune-known", is_flag=True, help="Remove known findings that are ready from their file.")
@json_option
@click.option("--junit", type=FILE, callback=writable, metavar="FILE", help="Write JUnit XML to FILE.")
@click.option("--markdown", type=FILE, callback=writable, metavar="FILE", help="Write a page for a CI job to FILE.")
def nightly(
    corpus: Path,
    pattern: str,
    tag: str,
    states: int | None,
    seed: int | None,
    workers: int | None,
    scope: Scope | None,
    date: datetime.date,
    prune_known: bool,
    json_file: Path | None,
    junit: Path | None,
    markdown: Path | None,
) -> int:
    """Tries all saved cases of a corpus again, checks every function with fresh seeds, and says what has changed.

    CORPUS is a corpus.toml, or the tally.toml of one program. What was found is kept in a history beside it.

    \b
    Example:
      tallystick nightly fixtures/corpus.toml --junit night.xml --markdown night.md
    """
    from harness.nightly.night import NightOptions, nightly  # the engines are slow to import, and `--help` needs none

    options = NightOptions(date, pattern, tag, states, seed, scope, workers, prune_known)
    console = make_console()
    with ProgressBar(console) as progress:
        night = nightly(corpus, options, progress.told)
    print_night(console, night)
    if json_file is not None:
        write_json(night_document(night), json_file)
    if junit is not None:
        write_text(night_junit(night), junit)
    if markdown is not None:
        write_text(night_markdown(night), markdown)
    return night.status


@click.command(short_help="List the nights until now.")
@click.argument("corpus", type=FILE)
@click.option("--nights", type=click.IntRange(1), default=14, metavar="N", help="How many (14).")
def report(corpus: Path, nights: int) -> int:
    """Lists the last nights of a corpus, the latest first.

    \b
    Example:
      tallystick report fixtures/corpus.toml --nights 30
    """
    from harness.config.corpus import load_corpus
    from harness.store.history import reading

    with reading(load_corpus(corpus).history) as history:
        print_history(make_console(), history.last(nights))
    return 0
