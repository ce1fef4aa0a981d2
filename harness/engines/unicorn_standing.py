"""Where the installed Unicorn stands: which known faults it has, and whether it may be used at all.

The probes run once for a version, half a second; what they saw is kept in the user's cache. A fault that is gone is
good news and changes nothing. Behaviour that is neither a known fault nor right is not trusted: the leg refuses.
"""

from __future__ import annotations

import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from pathlib import Path

import unicorn

from harness.engines.faults import FAULTS, Fault
from harness.engines.unicorn_probes import observe
from harness.errors import UsageError

VERSION: str = unicorn.__version__


class State(StrEnum):
    """What a probe says of its fault."""

    THERE = "there"
    GONE = "gone"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Standing:
    """One fault on the installed version: what its probe saw, and what that means."""

    fault: Fault
    seen: str
    state: State


def standings(saw: Mapping[str, str]) -> tuple[Standing, ...]:
    """What the probes ``saw``, fault by fault."""
    return tuple(Standing(fault, saw.get(fault.id, ""), _state(fault, saw.get(fault.id, ""))) for fault in FAULTS)


def require_known(saw: Mapping[str, str]) -> None:
    """Accepts an engine whose probes ``saw`` known faults and right behaviour only.

    Errors: ``UsageError`` that names the first other one.
    """
    unknown = [standing for standing in standings(saw) if standing.state is State.UNKNOWN]
    if not unknown:
        return
    first = unknown[0]
    others = f" (and {len(unknown) - 1} more)" if len(unknown) > 1 else ""
    measured = sorted({fault.measured for fault in FAULTS})
    raise UsageError(
        f"leg unicorn {VERSION}",
        f"the probe {first.fault.id} shows behaviour that nobody has looked at{others}",
        got=first.seen or "nothing",
        expected=f"{first.fault.right}, or the known fault: {first.fault.known}",
        help=f"install unicorn {' or '.join(measured)}; `tallystick selftest` lists all probes",
    )


@lru_cache(maxsize=1)
def remembered() -> Mapping[str, str]:
    """What the probes saw on this version: from the cache, or by running them and keeping it there."""
    file = cache_file()
    kept = _read(file)
    return kept if kept is not None else refreshed()


def refreshed() -> Mapping[str, str]:
    """What the probes see now; the cache is renewed."""
    saw = observe()
    _write(cache_file(), saw)
    return saw


def cache_file() -> Path:
    """Where it is kept: one file for each version of Unicorn, kind of host and state of the probes' own sources."""
    folder = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "tallystick"
    return folder / f"unicorn-{VERSION}-{_fingerprint()}.json"


def _state(fault: Fault, seen: str) -> State:
    if seen == fault.right:
        return State.GONE
    return State.THERE if seen in (fault.known, *fault.also) else State.UNKNOWN


def _fingerprint() -> str:
    here = Path(__file__).parent
    sources = sorted([*here.glob("unicorn*.py"), *here.glob("faults/*.py")])
    digest = hashlib.sha256(platform.machine().encode())
    for source in sources:
        digest.update(source.read_bytes())
    library = Path(unicorn.__file__)
    digest.update(f"{library} {library.stat().st_mtime_ns}".encode())  # a build of one's own keeps its version
    return digest.hexdigest()[:12]


def _read(file: Path) -> dict[str, str] | None:
    """What a file of the cache holds; None where there is none, or something else is in it."""
    try:
        saw = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    good = isinstance(saw, dict) and set(saw) == {fault.id for fault in FAULTS}
    return saw if good and all(isinstance(text, str) for text in saw.values()) else None


def _write(file: Path, saw: Mapping[str, str]) -> None:
    """Keeps it, whole or not at all; a cache that cannot be written costs half a second the next time."""
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.NamedTemporaryFile("w", dir=file.parent, delete=False, encoding="utf-8") as new:
            json.dump(dict(saw), new, indent=1)
        os.replace(new.name, file)
    except OSError:
        return
