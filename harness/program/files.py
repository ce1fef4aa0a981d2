"""Reading the user's files, with errors in the standard form."""

from __future__ import annotations

from pathlib import Path

from harness.errors import UsageError


def read_image(path: Path) -> bytes:
    """Reads a file whole.

    Errors: ``UsageError`` where it is missing or unreadable.
    """
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise UsageError(str(path), "no such file", help="check the path in [guest] of tally.toml") from None
    except OSError as error:
        reason = (error.strerror or type(error).__name__).lower()
        raise UsageError(
            str(path),
            "cannot be read",
            got=reason,
            expected="a readable file",
            help="check the path and its permissions",
        ) from None


def read_text(path: Path) -> str:
    """Reads a UTF-8 text file.

    Errors: ``UsageError`` where it is missing, unreadable or not UTF-8.
    """
    try:
        return read_image(path).decode("utf-8")
    except UnicodeDecodeError as error:
        raise UsageError(
            str(path),
            "is not text",
            got=f"byte {error.object[error.start]:02x} at offset {error.start}",
            expected="UTF-8",
            help="the function list is a text file; did `functions` name the image?",
        ) from None
