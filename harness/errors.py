"""The errors of the harness: one form, two families.

A ``UsageError`` is something the user can mend; a ``HarnessError`` is a fault of ours. What a guest program does is
never an exception that leaves an engine: it is data (see ``engines.base.Outcome``).
"""

from __future__ import annotations


class TallystickError(Exception):
    """Base of both families: ``<where>: <what>: got <got>, expected <expected>`` and a help line.

    Fields that do not apply are left empty and their part of the text disappears.
    """

    def __init__(self, where: str, what: str, *, got: str = "", expected: str = "", help: str = "") -> None:  # noqa: A002 - the word printed before the text
        self.where = where
        self.what = what
        self.got = got
        self.expected = expected
        self.help = help
        super().__init__(str(self))

    def __str__(self) -> str:
        facts = [f"{label} {value}" for label, value in (("got", self.got), ("expected", self.expected)) if value]
        head = f"{self.where}: {self.what}" + (": " + ", ".join(facts) if facts else "")
        return head + (f"\nhelp: {self.help}" if self.help else "")


class UsageError(TallystickError):
    """The user must change something: a path, a key of tally.toml, a compiler, an option."""


class HarnessError(TallystickError):
    """The harness itself is at fault; the text asks for a report rather than for a change by the user."""
