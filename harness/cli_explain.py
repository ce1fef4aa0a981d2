"""The verb ``tallystick explain``: the instruction of a saved case whose C is wrong."""

from __future__ import annotations

from pathlib import Path

import click

from harness.cli_shared import FILE, json_option, writable
from harness.report.explain import explanation_document, print_explanation, write_markdown
from harness.report.jsonout import write_json
from harness.report.terminal import make_console
from harness.verdicts import Verdict


@click.command(short_help="Say which instruction of a saved case is translated wrongly.")
@click.argument("case", type=FILE)
@json_option
@click.option("--markdown", type=FILE, metavar="FILE", callback=writable, help="Write the same to FILE as Markdown.")
@click.option("--standalone", type=FILE, metavar="FILE", callback=writable, help="Write the case as one C file.")
def explain(case: Path, json_file: Path | None, markdown: Path | None, standalone: Path | None) -> int:
    """Says which guest instruction of a saved case is translated wrongly, in what way, and how sure that is.

    \b
    Example:
      tallystick explain fixtures/tideclock/.tallystick/cases/tide_height-3f2a90bd11c7.json
    """
    from harness.explain.explaining import explain  # slow to import, and `--help` needs none of it

    explanation = explain(case)
    print_explanation(make_console(), explanation)
    if json_file is not None:
        write_json(explanation_document(explanation), json_file)
    if markdown is not None:
        write_markdown(explanation, markdown)
    if standalone is not None:
        from harness.explain.standalone import write_standalone  # as above

        write_standalone(case, standalone)
    return {Verdict.DIFFER: 1, Verdict.AGREE: 0}.get(Verdict(explanation.verdict), 3)
