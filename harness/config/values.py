"""What the tables of ``tally.toml`` are made of: their base, guest addresses, paths and bounds."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationInfo
from pydantic.functional_validators import AfterValidator
from pydantic_core import PydanticCustomError


class Table(BaseModel):
    """Base of all tables: frozen, and no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def guest_address(value: object) -> int:
    """A guest address as the file writes it: an integer, or a string such as ``"0x80001000"``.

    Widths: what fits 32 bits is sign-extended to 64, as the processor does with its 32-bit addresses.
    """
    expected = 'a guest address such as "0x80001000", at most 64 bits'
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise PydanticCustomError("guest_address", "not a guest address", {"expected": expected})
    try:
        number = int(value, 0) if isinstance(value, str) else value
    except ValueError:
        raise PydanticCustomError("guest_address", "not a guest address", {"expected": expected}) from None
    if not 0 <= number < 1 << 64:
        raise PydanticCustomError("guest_address", "guest address out of range", {"expected": expected})
    return number - (1 << 32) + (1 << 64) if 1 << 31 <= number < 1 << 32 else number


def _in_folder(path: Path, info: ValidationInfo) -> Path:
    """The path seen from the folder of the file; the loader hands that folder in as context."""
    folder: Path = (info.context or {}).get("folder", Path())
    return folder / path


Address = Annotated[int, BeforeValidator(guest_address)]
LocalPath = Annotated[Path, AfterValidator(_in_folder)]
Seconds = Annotated[float, Field(gt=0, le=3600, allow_inf_nan=False)]
