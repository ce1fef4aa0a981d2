"""Saved findings: one JSON file each, named by its content, enough to run the same state again without Hypothesis.

Memory is written as what differs from the guest image (for regions of the image) or from zero (for the others), so a
case is small and can be read. It is tied to its image by a hash: addresses mean nothing in another one.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from harness.config import Calls, External, Window
from harness.engines.base import PAGE, MachineState, Region
from harness.errors import UsageError
from harness.results import Difference
from harness.verdicts import DifferenceKind
from interp.optable import Loc

SCHEMA = "tallystick.case/1"

#: Bytes that differ, with gaps of up to 7 bytes that do not.
_RUN = re.compile(rb"[^\0]+(?:\0{1,7}[^\0]+)*")

#: Letters of a function's name that the name of its file takes.
_NAME = 100

Hex = Annotated[str, Field(pattern="^[0-9a-f]{1,16}$")]
HexBytes = Annotated[str, Field(pattern="^([0-9a-f]{2})+$")]
RegisterNumber = Annotated[int, Field(ge=0, le=31)]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class RegionRecord(_Record):
    """One region; ``runs`` are pairs of byte offset and hex bytes laid over the image's region or over zeros."""

    address: Hex
    size: int = Field(ge=0, le=1 << 32)
    writable: bool
    name: str
    over: Literal["image", "zero"]
    runs: tuple[tuple[int, HexBytes], ...]

    @model_validator(mode="after")
    def _runs_lie_inside(self) -> Self:
        if any(offset < 0 or offset + len(text) // 2 > self.size for offset, text in self.runs):
            raise ValueError(f"a run of region {self.address} reaches outside its {self.size} bytes")
        return self

    @model_validator(mode="after")
    def _is_whole_pages(self) -> Self:
        if int(self.address, 16) % PAGE or self.size % PAGE:
            raise ValueError(f"region {self.address} of {self.size} bytes is not whole pages")
        return self


class StateRecord(_Record):
    """A state before a call; registers that are 0 are left out, the others are hex by number.

    ``draws`` is what the answers of the world outside are drawn from.
    """

    pc: Hex
    gpr: dict[RegisterNumber, Hex]
    hi: Hex
    lo: Hex
    fpr: dict[RegisterNumber, Hex]
    fcsr: Hex
    fr: bool
    memory: tuple[RegionRecord, ...]
    draws: Hex = "0"

    @model_validator(mode="after")
    def _regions_lie_apart(self) -> Self:
        for one, after in pairwise(self.memory):
            if int(one.address, 16) + one.size > int(after.address, 16):
                raise ValueError(f"region {after.address} does not lie after the one before it")
        return self


class DifferenceRecord(_Record):
    """The first difference as it was found."""

    kind: DifferenceKind
    where: str
    values: dict[str, str]
    others: int
    words: dict[str, str]
    loc: tuple[str, int] | None
    events: dict[str, tuple[str, ...]] = {}
    number: int = 0


class OutsideRecord(_Record):
    """What lies outside of the function, as the file said when the case was found."""

    calls: Calls = Calls.DEEP
    external: tuple[External, ...] = ()
    window: tuple[Window, ...] = ()


class WriterRecord(_Record):
    """The guest instruction that wrote the place of the difference last."""

    address: Hex
    text: str


class Case(_Record):
    """One saved finding.

    ``config`` is seen from the folder of the file, ``legs`` give version by name; ``compiler`` is empty where the
    references disagree among themselves. ``input`` is for people: what of ``before`` is no default. ``outside`` is kept
    because a replay must not depend on what the file says later.
    """

    schema_id: Literal["tallystick.case/1"] = Field(default="tallystick.case/1", alias="schema")
    config: str
    build: str
    compiler: str
    function: str
    address: Hex
    image_hash: str
    scope: Literal["abi", "all"]
    fuel: int = Field(ge=1)
    seed: int
    legs: dict[str, str]
    first_difference: DifferenceRecord
    written_by: WriterRecord | None
    input: dict[str, str]
    before: StateRecord
    outside: OutsideRecord = OutsideRecord()


def image_hash(image: Iterable[Region]) -> str:
    """SHA-256 over addresses and bytes of a guest image, as hex."""
    digest = hashlib.sha256()
    for region in image:
        digest.update(region.address.to_bytes(8, "big") + len(region.data).to_bytes(8, "big") + region.data)
    return digest.hexdigest()


def record_difference(difference: Difference) -> DifferenceRecord:
    """The record of ``difference``."""
    return DifferenceRecord(
        kind=difference.kind,
        where=difference.where,
        values=dict(difference.values),
        others=difference.others,
        words=dict(difference.words),
        loc=difference.loc,
        events=dict(difference.events),
        number=difference.number,
    )


def recorded_difference(record: DifferenceRecord) -> Difference:
    """The difference that ``record`` was made from."""
    loc: Loc | None = record.loc
    return Difference(
        record.kind,
        record.where,
        tuple(record.values.items()),
        record.others,
        tuple(record.words.items()),
        loc,
        tuple(record.events.items()),
        record.number,
    )


def record_state(state: MachineState, image: Sequence[Region]) -> StateRecord:
    """The record of a state before a call, over the given guest image."""
    originals = {region.address: region for region in image}
    return StateRecord(
        pc=_hex(state.pc),
        gpr={n: _hex(value) for n, value in enumerate(state.gpr) if value},
        hi=_hex(state.hi),
        lo=_hex(state.lo),
        fpr={n: _hex(value) for n, value in enumerate(state.fpr) if value},
        fcsr=_hex(state.fcsr),
        fr=state.fr,
        memory=tuple(_record_region(region, originals.get(region.address)) for region in state.memory),
        draws=_hex(state.draws),
    )


def recorded_state(record: StateRecord, image: Sequence[Region]) -> MachineState:
    """The state that ``record`` was made from, given the same guest image.

    Regions that the state left as the image has them are the image's own objects.
    """
    originals = {region.address: region for region in image}
    return MachineState(
        pc=int(record.pc, 16),
        gpr=tuple(int(record.gpr.get(n, "0"), 16) for n in range(32)),
        hi=int(record.hi, 16),
        lo=int(record.lo, 16),
        fpr=tuple(int(record.fpr.get(n, "0"), 16) for n in range(32)),
        fcsr=int(record.fcsr, 16),
        fr=record.fr,
        memory=tuple(_recorded_region(region, originals) for region in record.memory),
        draws=int(record.draws, 16),
    )


def save_case(case: Case, folder: Path) -> Path:
    """Writes ``case`` into ``folder`` under a name made of its function and its content, and gives the path.

    The file is complete or absent, whatever happens meanwhile. Errors: ``UsageError`` where it cannot be written.
    """
    text = json.dumps(case.model_dump(mode="json", by_alias=True), indent=1) + "\n"
    name = re.sub(r"[^A-Za-z0-9_.]", "_", case.function)[:_NAME]
    path = folder / f"{name}-{hashlib.sha256(text.encode()).hexdigest()[:12]}.json"
    partial = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with partial.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError as error:
        raise UsageError(str(path), "cannot be written", got=(error.strerror or str(error)).lower()) from None
    return path


def sweep_partial(folder: Path) -> None:
    """Removes what processes that were killed had begun to write; those that run still have theirs."""
    for path in folder.glob(".*.json.*"):
        process = path.name.rpartition(".")[2]
        if process.isdecimal() and not Path("/proc", process).exists():
            path.unlink(missing_ok=True)


def load_case(path: Path) -> Case:
    """The case in the file at ``path``.

    Errors: ``UsageError`` for a file that cannot be read or is not a case.
    """
    try:
        return Case.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        help_line = "give the path of a case that `tallystick check` saved"
        raise UsageError(str(path), "no such file", help=help_line) from None
    except OSError as error:
        raise UsageError(str(path), "cannot be read", got=(error.strerror or str(error)).lower()) from None
    except UnicodeDecodeError:
        raise UsageError(str(path), "is no text", expected="a case that `tallystick check` saved") from None
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UsageError(
            f"{path} {where}".rstrip(),
            "not a case of this version",
            got=first["msg"].removeprefix("Value error, "),
            expected=f"schema {SCHEMA}",
        ) from None


def _record_region(region: Region, original: Region | None) -> RegionRecord:
    over_image = original is not None and len(original.data) == len(region.data)
    below = original.data if original is not None and over_image else bytes(len(region.data))
    changed = int.from_bytes(region.data, "big") ^ int.from_bytes(below, "big")
    runs = _RUN.finditer(changed.to_bytes(len(region.data), "big"))
    return RegionRecord(
        address=_hex(region.address),
        size=len(region.data),
        writable=region.writable,
        name=region.name,
        over="image" if over_image else "zero",
        runs=tuple((run.start(), region.data[run.start() : run.end()].hex()) for run in runs),
    )


def _recorded_region(record: RegionRecord, originals: dict[int, Region]) -> Region:
    address = int(record.address, 16)
    original = originals.get(address) if record.over == "image" else None
    if original is not None and not record.runs and original.writable is record.writable:
        return original
    data = bytearray(original.data if original is not None else record.size)
    for offset, text in record.runs:
        data[offset : offset + len(text) // 2] = bytes.fromhex(text)
    return Region(address, bytes(data), record.writable, record.name)


def _hex(value: int | None) -> str:
    return f"{value or 0:x}"
