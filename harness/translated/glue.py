"""The generated C file of one build: registers in and out, calls, and stand-ins for what nobody defines."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined

from harness.config import Binding, Build, Translated
from harness.translated import binding as bound

#: What the compiler is told, and says again, about where text of our own comes from.
GLUE = "generated glue"


@dataclass(frozen=True, slots=True)
class Entry:
    """One translated function in the glue's table; ``function`` is its C name, empty where it has none."""

    function: str
    address: int


@dataclass(frozen=True, slots=True)
class StandIn:
    """A stand-in for a function outside of what is tested; calling it is boundary ``number``.

    Where the C ``has`` the function itself, calls of it are redirected.
    """

    number: int
    function: str
    has: bool
    address: int


def glue_text(
    build: Build,
    translated: Translated,
    entries: Sequence[Entry],
    stand_ins: Sequence[StandIn] = (),
    externals: Sequence[str] = (),
) -> str:
    """The C file that carries registers in and out, calls entry number n, and stands for what lies outside.

    A call of one of ``externals``, which stand for nothing of the guest, ends the run.
    """
    binding = translated.binding
    text = _TEMPLATES.get_template("glue.c.jinja").render(
        where=build.file,
        origin=lambda key: json.dumps(origin(build, key), ensure_ascii=False),
        headers=translated.headers,
        declare=binding.declare,
        prototype=binding.prototype,
        setup=bound.setup_text(binding),
        entries=[
            {
                "function": entry.function,
                "prototype": bound.prototype_text(binding, entry.function),
                "call": bound.call_text(binding, entry.function, entry.address),
            }
            for entry in entries
        ],
        registers=bound.bound_registers(binding, build.guest.fr),
        externals=[(name, bound.prototype_text(binding, name)) for name in externals],
        boundaries=[
            {
                "number": one.number,
                "redirected": one.function if one.has else "",
                "call": bound.call_text(binding, f"tally_real_{one.number}", one.address),
                "prototype": bound.prototype_text(binding, f"tally_stand_in_{one.number}" if one.has else one.function),
            }
            for one in sorted(stand_ins, key=lambda one: one.function)
        ],
        hooks=bound.device_hooks(binding),
    )
    return "".join(
        f'#line {number + 1} "{GLUE}"\n' if line == "#line here\n" else line
        for number, line in enumerate(text.splitlines(keepends=True), 1)
    )


def origin(build: Build, key: str) -> str:
    """What the compiler is told, and says again, about where the text of a key comes from."""
    table = "translated.binding" if key in Binding.model_fields else "translated"
    return f"{build.file} [{table}] {key}"


_TEMPLATES = Environment(
    loader=PackageLoader("harness.translated", "."),
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    keep_trailing_newline=True,
    autoescape=False,
)
