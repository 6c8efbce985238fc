"""Refusals counted together, so that no caller can fill the audit. Pure."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from services.runtime.audit import Counted, Refusal

WINDOW: Final = timedelta(minutes=1)
MOST_OF_ADDRESS: Final = 8
MOST: Final = 32
"""How many different refusals are told apart at once, of one address and of all. Chosen by us:
an attack that never ends makes at most 66 rows a minute in each process, some 30 MB a day."""


@dataclass(slots=True)
class _Window:
    """``count`` are those not written yet, from ``first_at`` to ``last_at``."""

    began_at: datetime
    first_at: datetime
    last_at: datetime
    count: int = 0
    is_written: bool = False


class RefusalCounts:
    """Counts refusals. The first of a kind is due at once, its repeats when its minute is over.

    Beyond ``MOST_OF_ADDRESS`` different ones of an address, or ``MOST`` in all, further ones are
    counted together and told by their address alone, or as those of many addresses.
    """

    def __init__(self) -> None:
        self._windows: dict[Refusal, _Window] = {}

    def note(self, refusal: Refusal, now: datetime) -> None:
        """Count one."""
        key = self._key(refusal.bounded())
        window = self._windows.get(key)
        if window is None:
            window = self._windows[key] = _Window(now, now, now)
        if window.count == 0:
            window.first_at = now
        window.last_at = now
        window.count += 1

    def due(self, now: datetime, *, everything: bool = False) -> list[Counted]:
        """Give what is to be written now. Nothing is forgotten before ``written``."""
        return [
            Counted(refusal, window.count, window.first_at, window.last_at)
            for refusal, window in self._windows.items()
            if window.count and (everything or not window.is_written or _is_over(window, now))
        ]

    def written(self, counted: list[Counted], now: datetime) -> None:
        """Take off what was written, and forget whoever has come no more for a minute."""
        for one in counted:
            window = self._windows[one.refusal]
            window.count -= one.count
            # What came while it was written has come since its last moment.
            window.first_at = one.last_at
            if window.is_written:
                window.began_at = now
            window.is_written = True
        gone = [key for key, one in self._windows.items() if not one.count and _is_over(one, now)]
        for key in gone:
            del self._windows[key]

    def _key(self, refusal: Refusal) -> Refusal:
        if refusal in self._windows:
            return refusal
        told_apart = sum(1 for one in self._windows if one.address == refusal.address)
        of_address = Refusal(
            refusal.door, "several", "too many different refusals: told together", refusal.address
        )
        of_many = Refusal("any", "several", "refusals of too many callers: told together")
        if told_apart >= MOST_OF_ADDRESS:
            refusal = of_address
        if refusal not in self._windows and len(self._windows) >= MOST:
            return of_many
        return refusal


def _is_over(window: _Window, now: datetime) -> bool:
    return now - window.began_at >= WINDOW
