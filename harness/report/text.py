"""Text that a guest image or the C under test made up, ready for a terminal."""

from __future__ import annotations


def visible(text: str) -> str:
    """``text`` on one line, with what would move the cursor or change colours written as an escape (``\\x1b``)."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)
