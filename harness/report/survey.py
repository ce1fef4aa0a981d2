"""What a survey prints, and its JSON form ``tallystick.survey/1``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from rich.console import Console
from rich.text import Text

from harness.report.jsonout import result_document
from harness.report.terminal import missed_text
from harness.report.text import visible
from harness.results import FunctionResult, ShapeNode, SurveyedBuild, SurveyedFunction

#: Columns that names are padded to; a longer one pushes the rest of its own row only.
_NAME_WIDTH = 40


def print_survey(console: Console, builds: Sequence[SurveyedBuild]) -> None:
    """Prints each build: the image, its functions, and what is missing from the C."""
    for build in builds:
        console.print(Text(f"{build.name}: {build.image}" if build.name else build.image, style="bold"))
        registers = "32 registers of 64 bits" if build.fr else "32 registers of 32 bits, in pairs"
        console.print(f"  {build.abi}, floating point in {registers}, gp {build.gp:016x}")
        for address, size, writable, name in build.regions:
            console.print(f"  {address:016x}  {size:>7,} bytes  {'writable ' if writable else 'read-only'}  {name}")
        console.print()
        for line in _table(build.functions):
            console.print(line)
        missing = sum(bool(function.not_translated) for function in build.functions)
        count = f"{len(build.functions):,} function{'' if len(build.functions) == 1 else 's'}"
        console.print(f"{count}, {len(build.functions) - missing:,} translated, {missing:,} not")
        if build.externals:
            console.print(f"called by the C and defined nowhere: {', '.join(build.externals)}")
        console.print()


def survey_document(builds: Sequence[SurveyedBuild]) -> dict[str, Any]:
    """The whole object, ready for ``json``."""
    return {"schema": "tallystick.survey/1", "builds": [_build(build) for build in builds]}


def _table(functions: Sequence[SurveyedFunction]) -> list[str]:
    width = min(max((len(visible(function.name)) for function in functions), default=0), _NAME_WIDTH)
    lines = []
    for function in functions:
        remarks = [function.not_translated] if function.not_translated else []
        if function.callees:
            remarks.append(f"calls {visible(', '.join(function.callees))}")
        if function.indirect_calls:
            remarks.append(f"{function.indirect_calls} through pointers")
        head = f"{function.address:016x}  {function.size:>6,} bytes  {visible(function.name):<{width}}"
        lines.append(f"{head}  {'; '.join(remarks)}".rstrip())
        if function.reach is not None:
            lines += _studied(function, function.reach)
    return lines


def _studied(function: SurveyedFunction, reach: FunctionResult) -> list[str]:
    """What a function reads, and how far states in that shape came."""
    lines = ["  reads", *_tree(function.inputs, "    ")] if function.inputs else ["  reads no argument"]
    lines += [f"  note: {remark}" for remark in function.remarks]
    lines.append(
        f"  {reach.states:,} states, of which {reach.compared:,} count, reach "
        f"{reach.instructions_reached} of {reach.instructions_total} instructions and "
        f"{reach.branches_reached} of {reach.branches_total} branch directions"
    )
    lines += [f"  {count:,} {reason}" for reason, count in reach.discarded]
    if reach.missed:
        lines.append(f"  not reached: {missed_text(reach.missed)}")
    lines += [f"  note: {visible(note)}" for note in reach.notes]
    return [*lines, f"  kept in {visible(function.saved)}"] if function.saved else lines


def _tree(nodes: Sequence[ShapeNode], indent: str) -> Iterator[str]:
    width = max((len(node.place) for node in nodes), default=0)
    for node in nodes:
        times = f" x{node.count}" if node.count > 1 else ""
        yield f"{indent}{node.place:<{width}}  {node.what}{times}"
        yield from _tree(node.fields, indent + "  ")


def _build(build: SurveyedBuild) -> dict[str, Any]:
    return {
        "name": build.name,
        "image": build.image,
        "abi": build.abi,
        "fr": build.fr,
        "gp": f"{build.gp:016x}",
        "regions": [
            {"address": f"{address:016x}", "size": size, "writable": writable, "name": name}
            for address, size, writable, name in build.regions
        ],
        "functions": [function_document(function) for function in build.functions],
        "externals": list(build.externals),
    }


def function_document(function: SurveyedFunction) -> dict[str, Any]:
    """One function, ready for ``json``; what was not asked for is not in it."""
    document: dict[str, Any] = {
        "name": function.name,
        "address": f"{function.address:016x}",
        "size": function.size,
        "not_translated": function.not_translated,
        "callees": list(function.callees),
        "indirect_calls": function.indirect_calls,
        "shape": function.shape,
    }
    if function.reach is not None:
        document["inputs"] = [_node(node) for node in function.inputs]
        document["remarks"] = list(function.remarks)
        document["reach"] = result_document(function.reach)
    return document


def _node(node: ShapeNode) -> dict[str, Any]:
    return {
        "place": node.place,
        "what": node.what,
        "count": node.count,
        "fields": [_node(field) for field in node.fields],
    }
