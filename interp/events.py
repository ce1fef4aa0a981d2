"""Guest events: exceptions of the processor (traps), and uses of what its manual leaves open (``events.toml``)."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

_IDS: dict[str, dict[str, str]] = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
#: Id -> what it is and where it is defined.
TRAPS, OPENS, WARNINGS = (_IDS[kind] for kind in ("trap", "open", "warning"))


@dataclass(eq=False)
class GuestTrap(Exception):  # noqa: N818 - an event of the guest, not an error of ours
    """Ends the run: the guest raised the exception ``kind`` of the processor.

    ``fault_address`` (unsigned) is where a bad access went, ``fcsr`` what a floating-point exception leaves in FCSR.
    """

    kind: str
    fault_address: int | None = None
    detail: str = ""
    fcsr: int | None = None


def trap(kind: str, cond: object, fcsr: int | None = None) -> None:
    """Raises the guest exception ``kind`` where the condition holds."""
    if cond:
        raise GuestTrap(kind, fcsr=fcsr)


def open_(kind: str, cond: object) -> None:
    """Notes that something open was used where the condition holds; the chip, and the run, go on."""
    if cond and _listeners:
        _listeners[-1](kind)


_listeners: list[Callable[[str], None]] = []  # the last one hears; none does where a row is called outside a run


@contextmanager
def heard_by(listener: Callable[[str], None]) -> Iterator[None]:
    """Sends what ``open_`` notes to ``listener``; rows are pure, so the listener cannot be one of their operands."""
    _listeners.append(listener)
    try:
        yield
    finally:
        _listeners.pop()
