"""What the campaign needs to know of one parser."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from schemas.errors import InvalidInput

TAKEN, REFUSED = "taken", "refused"

_MOST_VALUE_CHARACTERS = 400  # what the triage table holds of a value

Mutate = Callable[[random.Random], bytes]


class Broken(AssertionError):  # noqa: N818 - read as a sentence
    """A parser broke its promise without an exception of its own."""


@dataclass(frozen=True)
class Ready:
    """A parser that can be fed.

    ``feed`` says ``TAKEN`` or ``REFUSED``, and raises for anything that the parser must not do.
    ``end`` checks what can be seen after all inputs, and closes.
    """

    seeds: Sequence[bytes]
    mutate: Mutate
    feed: Callable[[bytes], str]
    end: Callable[[], None] = lambda: None


@dataclass(frozen=True)
class Target:
    """One parser by name; ``prepare`` gets an empty folder of its own.

    ``limit_s`` is for one input. ``in_process``: no socket and no thread takes part, so the full
    number of inputs is asked of it.
    """

    name: str
    prepare: Callable[[Path], Ready]
    limit_s: float = 2.0
    in_process: bool = True


def refused(error: InvalidInput) -> str:
    """Check that a refusal can be shown to a person and kept in triage; ``REFUSED``."""
    told = {"field": error.field, "value": error.value, "expected": error.expected}
    for name, text in told.items():
        if not isinstance(text, str) or (name != "value" and not text.strip()):
            raise Broken(f"a refusal's {name} is {text!r}")
        if "\x00" in text:  # PostgreSQL keeps none, so triage could not
            raise Broken(f"a refusal's {name} holds NUL: {text!r}")
        try:
            text.encode()
        except UnicodeEncodeError as wrong:
            raise Broken(f"a refusal's {name} is no Unicode text: {text!r}") from wrong
    if len(error.value) > _MOST_VALUE_CHARACTERS:
        raise Broken(f"a refusal's value has {len(error.value)} characters")
    return REFUSED
