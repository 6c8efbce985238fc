"""How long to wait before a device that could not be told is tried again."""

from datetime import timedelta
from typing import Final

WAITS_S: Final[tuple[float, ...]] = (2.0, 5.0, 15.0, 60.0, 300.0, 900.0, 3600.0)
"""The waits between attempts, growing; the last one stays for as long as it takes. Invented."""

LONGEST_WAIT: Final = timedelta(seconds=max(WAITS_S))


def wait_after(attempts: int) -> float:
    """Give the wait in seconds after so many attempts that failed."""
    return WAITS_S[min(attempts, len(WAITS_S) - 1)]
