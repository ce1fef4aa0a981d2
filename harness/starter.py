"""The first ``tally.toml`` of a project: every key of the models, explained by its description.

Nothing about a key is said here, so that the file cannot tell another story than the loader and its errors.
"""

from __future__ import annotations

import json
import textwrap
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from harness.config import Tables
from harness.errors import UsageError

_WIDTH = 100

_HEAD = """\
What tallystick checks, and how. Keys without "#" are required and hold examples: put your own values there. Keys behind
"#" may be left out; they show their default, or an example where the line says so. Paths are seen from the folder of
this file. Try `tallystick survey` with this file first, then `tallystick check`.\
"""

_TAIL = """\
Several builds of one program in one file: each has a name of letters, digits and . + - _ and keys that replace those of
the tables above.\
"""

_BUILD = """\
# [[build]]
# name = "spring"
# [build.guest]
# image = "harbour-spring.elf"
"""

#: Tables that stay behind "#" with all their keys: most files do without.
_LEFT_OUT = frozenset({"translator"})

#: TOML's integers are signed.
_LARGEST = (1 << 63) - 1


def write_starter(path: Path) -> None:
    """Writes the first ``tally.toml`` to ``path``.

    Errors: ``UsageError`` where something is there already, or nothing can be written.
    """
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(starter())
    except FileExistsError:
        raise UsageError(str(path), "exists already", help="name another file, or move this one away") from None
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None


def starter() -> str:
    """The text of the file: it loads as it is, and with the ``#`` before all its keys and tables taken away."""
    parts = [_comment(_HEAD)]
    for name, field in Tables.model_fields.items():
        parts += _table(name, field, commented=name in _LEFT_OUT)
    return "\n".join([*parts, _comment(_TAIL) + _BUILD])


def _table(path: str, field: FieldInfo, commented: bool) -> list[str]:
    """A table and the tables in it, each with its heading and its keys; one of a list of tables stands for all."""
    model = _model_in(field)
    assert model is not None  # every key of Tables is a table, and so is every key that comes here from below
    many = _is_list(field)
    commented = commented or many  # a table of which there may be many, or none
    heading = f"[[{path}]]" if many else f"[{path}]"
    text = _comment(field.description or "") + f"{'# ' if commented else ''}{heading}\n"
    inner: list[str] = []
    for name, key in model.model_fields.items():
        if _model_in(key) is None or _is_list(key):
            text += "\n" + _key(name, key, commented)
        else:
            inner += _table(f"{path}.{name}", key, commented)
    return [text, *inner]


def _key(name: str, field: FieldInfo, commented: bool) -> str:
    """One key: its description, then its example or default."""
    required = field.is_required()
    text = field.description or ""
    if required:
        text += " Required."
    entry = _model_in(field)
    if entry is not None:
        value = f"[{_inline(entry)}]"
    else:
        value = _toml(field.examples[0] if field.examples else field.default)
    remark = "  # an example" if not required and (field.examples or entry) else ""
    hash_ = "" if required and not commented else "# "
    text = _comment(text)
    for part, one in (entry.model_fields if entry is not None else {}).items():
        text += _comment(f"  {part}: {one.description}")
    return f"{text}{hash_}{name} = {value}{remark}\n"


def _inline(model: type[BaseModel]) -> str:
    """A table in one line, of the examples of its keys."""
    pairs = (f"{name} = {_toml((field.examples or [''])[0])}" for name, field in model.model_fields.items())
    return f"{{ {', '.join(pairs)} }}"


def _toml(value: Any) -> str:
    """A value as TOML writes it; what its integers cannot hold is a guest address, which may be a string."""
    if isinstance(value, int) and value > _LARGEST:
        return f'"{value:#x}"'
    return json.dumps(value, default=str)


def _comment(text: str) -> str:
    return textwrap.fill(text, _WIDTH, initial_indent="# ", subsequent_indent="# ") + "\n"


def _is_list(field: FieldInfo) -> bool:
    return Ellipsis in get_args(field.annotation)


def _model_in(field: FieldInfo) -> type[BaseModel] | None:
    """The table type inside ``X``, ``X | None`` or ``tuple[X, ...]``, if it is one."""
    for part in (field.annotation, *get_args(field.annotation)):
        if isinstance(part, type) and issubclass(part, BaseModel):
            return part
    return None
