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
        self.field = field
        self.value = _shown(value)
        self.expected = expected
        super().__init__(f"{field}: expected {expected}, got {self.value}")


def _shown(value: Any) -> str:
    """Cut a value short, so that a hostile one cannot fill the log."""
    text = repr(value)
    return text if len(text) <= _SHOWN_CHARACTERS else text[:_SHOWN_CHARACTERS] + "…"
