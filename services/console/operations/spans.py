"""A length of time in words, as one says it at night: one unit, rounded. Pure."""

from datetime import timedelta


def span(length: timedelta) -> str:
    """Say a length: ``40 s``, ``14 min``, ``3 h``, ``5 days``."""
    seconds = max(length.total_seconds(), 0.0)
    for most, unit, name in ((90, 1, "s"), (5_400, 60, "min"), (172_800, 3_600, "h")):
        if seconds < most:
            return f"{seconds / unit:.0f} {name}"
    return f"{seconds / 86_400:.0f} days"
