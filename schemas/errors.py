"""The root of our errors, and the one that every contract raises for bad input."""

from typing import Any

_SHOWN_CHARACTERS = 120


class GomphosisError(Exception):
    """Root of every error that gomphosis raises on purpose."""


class InvalidInput(GomphosisError):  # noqa: N818 - read as a sentence: 'raises InvalidInput'
    """Input that breaks a contract, with the field, the value and what was expected.

    Such input is kept for triage; it never stops the line.
    """

    def __init__(self, field: str, value: Any, expected: str) -> None:
        self.field = keepable(field)
        self.value = _shown(value)
        self.expected = keepable(expected)
        super().__init__(f"{self.field}: expected {self.expected}, got {self.value}")


def keepable(text: str) -> str:
    """Escape what no database or UTF-8 can hold; a field may be named by its sender."""
    return text.replace("\x00", r"\x00").encode(errors="backslashreplace").decode()


def _shown(value: Any) -> str:
    """Cut a value short, so that a hostile one cannot fill the log."""
    text = repr(value)
    return text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…"
