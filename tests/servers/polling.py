"""Waiting for something to become true, without sleeping a fixed time."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

FIRST_PAUSE_S = 0.005
LONGEST_PAUSE_S = 0.1


class NeverCameTrueError(AssertionError):
    """What was waited for did not come in time; look at the log of whoever should have done it."""

    def __init__(self, what: str, timeout_s: float, last_value: object) -> None:
        self.what = what
        self.timeout_s = timeout_s
        self.last_value = last_value
        super().__init__(
            f"waited {timeout_s:g} s for: {what}; the last value seen was {last_value!r}"
        )


def wait_until(predicate: Callable[[], T], timeout_s: float, what: str) -> T:
    """Poll ``predicate`` until it gives something true, and return that.

    Parameters
    ----------
    predicate
        Called again and again, at first every 5 ms, later every 100 ms.
    timeout_s
        The longest wait, in seconds. Choose it generous: it only costs time when the test fails.
    what
        What is waited for, in words; it stands in the error.

    Raises
    ------
    NeverCameTrueError
        When the time has passed.
    """
    deadline_s = time.monotonic() + timeout_s
    pause_s = FIRST_PAUSE_S
    while True:
        value = predicate()
        if value:
            return value
        if time.monotonic() >= deadline_s:
            raise NeverCameTrueError(what, timeout_s, value)
        time.sleep(pause_s)
        pause_s = min(pause_s * 1.5, LONGEST_PAUSE_S)
