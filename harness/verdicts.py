"""The five verdicts, and the reasons under which what does not count is counted."""

from __future__ import annotations

from enum import StrEnum


class Verdict(StrEnum):
    """What a comparison may say; nothing stronger than what was tested."""

    AGREE = "agree"
    DIFFER = "differ"
    INCONCLUSIVE = "inconclusive"
    NOT_RUN = "not-run"
    HARNESS_ERROR = "harness-error"


class DifferenceKind(StrEnum):
    """What kind of thing differs first."""

    REGISTER = "register"
    MEMORY = "memory"
    STOP = "stop"
    EVENT = "event"
    CRASH = "crash"
    HANG = "hang"


class Discard(StrEnum):
    """Why one state was not compared."""

    TRAP = "guest trap"
    FUEL = "instruction budget"
    OPEN = "left open by the manual"
    REFERENCES = "references disagree"
    UNSUPPORTED = "unsupported by a leg"
    EXTERNAL = "external called"
    ASTRAY = "a pointer led into the middle of a function"


class Miss(StrEnum):
    """Why no counted state went a branch direction, as far as that is known."""

    IMPOSSIBLE = "no input reaches it"
    BEHIND = "behind another"  # its branch was never reached
    UNSOLVED = "solver failed"  # its branch was reached, and nothing tried turned it round
    UNFINISHED = "not ended"  # only states that did not count went it: they trapped, or ran out of budget
