"""Reads ``tally.toml``; whatever is wrong is said with file, key and what would be right."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from harness.config.builds import Build, Config, overlay
from harness.config.models import Tables
from harness.errors import UsageError

#: What a value of the wrong type should have been, by pydantic's kind of error.
_EXPECTED = {
    "missing": "this key",
    "string_type": "a string",
    "path_type": "a string",
    "int_type": "an integer",
    "int_from_float": "an integer",
    "float_type": "a number",
    "finite_number": "a finite number",
    "tuple_type": "a list",
    "too_short": "at least one entry",
    "string_too_short": "some text",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


_Model = TypeVar("_Model", bound=BaseModel)


def load_tables(model: type[_Model], path: Path, raw: dict[str, Any]) -> _Model:
    """The tables of another file than ``tally.toml``, which ``read_toml`` has read.

    Errors: ``UsageError`` for a key or value that does not fit.
    """
    return _validated(model, path, "", raw, {})


def load_config(path: Path) -> Config:
    """The configuration in the file at ``path``.

    Errors: ``UsageError`` for a file that cannot be read, is not TOML, or has a key or value that does not fit.
    """
    raw = read_toml(path)
    overlays = raw.pop("build", [])
    if not isinstance(overlays, list) or not all(isinstance(one, dict) for one in overlays):
        raise UsageError(f"{path} build", "wrong type", expected="one [[build]] table for each build")
    if not overlays:
        return Config(path, Build.of("", path, _validated(Tables, path, "", raw, {})).views())
    names = [_name(path, index, one) for index, one in enumerate(overlays, 1)]
    for index, name in enumerate(names, 1):
        if name in names[: index - 1]:
            where = f"{path} [[build]] number {index} name"
            raise UsageError(where, "used twice", got=repr(name), expected="a name of its own")
    tables = [
        _validated(Tables, path, name, raw, {key: value for key, value in one.items() if key != "name"})
        for name, one in zip(names, overlays, strict=True)
    ]
    builds = (Build.of(name, path, one) for name, one in zip(names, tables, strict=True))
    return Config(path, tuple(view for build in builds for view in build.views()))


def read_toml(path: Path, kind: str = "tally.toml") -> dict[str, Any]:
    """The tables of a file, as they stand there; ``kind`` is what it is called where it is missing.

    Errors: ``UsageError`` for a file that cannot be read, or is not TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))  # some editors put a byte order mark first
    except FileNotFoundError:
        raise UsageError(str(path), "no such file", help=f"give the path of a {kind}") from None
    except UnicodeDecodeError as error:
        got = f"byte {error.object[error.start]:#04x} at offset {error.start}"
        raise UsageError(str(path), "not UTF-8", got=got) from None
    except OSError as error:
        raise UsageError(str(path), "cannot be read", got=(error.strerror or str(error)).lower()) from None
    except tomllib.TOMLDecodeError as error:
        raise _toml_error(path, str(error)) from None


def _toml_error(path: Path, text: str) -> UsageError:
    """``<file>:<line>:<column>: not TOML: ...`` from the parser's ``... (at line 3, column 7)``."""
    found = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", text)
    if not found:
        return UsageError(str(path), "not TOML", got=text)
    what, line, column = found.groups()
    where = f"{path}:{line}:{column}" if line else f"{path}: end of file"
    return UsageError(where, "not TOML", got=what[0].lower() + what[1:])


def _name(path: Path, index: int, build: dict[str, Any]) -> str:
    name = build.get("name")
    if not isinstance(name, str) or not re.fullmatch(r"[\w.+-]+", name):
        raise UsageError(
            f"{path} [[build]] number {index} name",
            "no usable name",
            got="nothing" if name is None else repr(name),
            expected="letters, digits and . + - _",
        )
    return name


def _validated(
    model: type[_Model], path: Path, name: str, below: dict[str, Any], above: dict[str, Any]
) -> _Model:
    """The tables of one build, or of another file.

    The values go through JSON because pydantic's strict mode accepts lists for tuples and strings for paths and
    enumerations from there only; a TOML date turns into a string, which no key minds.
    """
    try:
        text = json.dumps(overlay(below, above), default=str)
        return model.model_validate_json(text, strict=True, context={"folder": path.parent})
    except ValidationError as error:
        # A mistyped key is reported as unknown and as missing under its right name: the first is what helps.
        first = min(error.errors(), key=lambda one: one["type"] != "extra_forbidden")
        raise _usage_error(model, path, name, above, first) from None


def _usage_error(
    model: type[BaseModel], path: Path, name: str, above: dict[str, Any], error: ErrorDetails
) -> UsageError:
    keys = [part for part in error["loc"] if not (isinstance(part, str) and "[" in part)]
    origin = f'[[build]] "{name}" ' if name and _reaches(above, keys) else ""
    where = f"{path} {origin}{_key_path(keys)}".rstrip()
    if error["type"] == "extra_forbidden":
        more = ["build"] if model is Tables and not keys[:-1] and not name else []
        known = sorted(_model_at(model, keys[:-1]).model_fields) + more
        near = difflib.get_close_matches(str(keys[-1]), known, n=1, cutoff=0.0)[0]
        return UsageError(
            where, "unknown key", got=str(keys[-1]), expected=", ".join(known), help=f'did you mean "{near}"?'
        )
    if error["type"] == "missing":
        field = _model_at(model, keys[:-1]).model_fields[str(keys[-1])]
        if isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
            table = f"{path} [{'.'.join(map(str, keys))}]"
            help_line = "`tallystick init` writes a file with every table and key"
            return UsageError(table, "missing table", help=help_line)
        return UsageError(where, "missing key", help=f"add it: {field.description}")
    context = error.get("ctx", {})
    ours = error["type"] in ("guest_address", "raw_image", "numbered", "outside")
    expected = context.get("expected") or _EXPECTED.get(error["type"]) or error["msg"].removeprefix("Input should be ")
    got = context.get("got") or ("" if isinstance(error["input"], dict) else repr(error["input"]))
    return UsageError(where, error["msg"] if ours else "value does not fit", got=got, expected=expected)


def _reaches(table: Any, keys: list[int | str]) -> bool:
    """Whether the key at this path was written in ``table`` itself."""
    for key in keys:
        try:
            table = table[key]
        except (KeyError, IndexError, TypeError):
            return False
    return True


def _key_path(keys: list[int | str]) -> str:
    """``[translated.binding] gpr`` as the file writes it; list items are counted from 1."""
    tables = [str(key) for key in keys[:-1] if isinstance(key, str)]
    last = f"item {keys[-1] + 1}" if keys and isinstance(keys[-1], int) else str(keys[-1] if keys else "")
    numbers = [f"item {key + 1}" for key in keys[:-1] if isinstance(key, int)]
    return " ".join(([f"[{'.'.join(tables)}]"] if tables else []) + numbers + [last])


def _model_at(model: type[BaseModel], keys: list[int | str]) -> type[BaseModel]:
    """The table type that a key path leads to from ``model``."""
    for key in keys:
        if isinstance(key, str):
            model = _table_type(model.model_fields[key].annotation)
    return model


def _table_type(annotation: Any) -> type[BaseModel]:
    """The table type inside ``X``, ``X | None`` or ``tuple[X, ...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next(_table_type(inner) for inner in get_args(annotation) if inner not in (type(None), Ellipsis))
