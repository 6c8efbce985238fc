"""Telling again until a door acknowledges; one that refuses sound input ends the campaign."""

from __future__ import annotations

import random
import time
from collections.abc import Callable

PATIENCE_S = 900.0
"""Longer than any fault of a campaign lasts; whoever is refused for longer tells so."""

LONGEST_WAIT_S = 3.0


class NotTakenError(RuntimeError):
    """A door did not take sound input: what, and what it said last."""


class Trouble(Exception):  # noqa: N818 - an outcome that is worth another try
    """The door or the way to it failed; nothing is known of what was told."""


def until_taken(what: str, attempt: Callable[[], None], patience_s: float = PATIENCE_S) -> int:
    """Attempt until no trouble is met; give the number of attempts.

    Raises NotTakenError where the trouble does not end.
    """
    deadline, wait_s, attempts = time.monotonic() + patience_s, 0.05, 0
    while True:
        attempts += 1
        try:
            attempt()
        except (Trouble, OSError) as error:
            if time.monotonic() > deadline:
                raise NotTakenError(f"{what}: {attempts} attempts; {error}") from error
            time.sleep(wait_s * random.uniform(0.5, 1.0))
            wait_s = min(wait_s * 2, LONGEST_WAIT_S)
        else:
            return attempts
