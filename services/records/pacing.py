"""When the record may be asked: circuit breaker, back-off and a rate for each site. Pure.

All times are given by the caller, in UTC; nothing here reads a clock. The breaker opens after
``OUTAGE_AFTER`` failures in a row, or at once where the record tells how long to wait
(Retry-After, RFC 9110 section 10.2.3; from memory). When its time is over, one posting is tried:
it closes the breaker, or opens it for twice as long, up to ``LONGEST_OPEN_S``. The numbers are
our own choice.
"""

import random
from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import StrEnum

OUTAGE_AFTER = 3
"""So many failures in a row mean that the record is away."""

FIRST_WAIT_S = 1.0
LONGEST_WAIT_S = 300.0
LONGEST_OPEN_S = 60.0
LONGEST_RETRY_AFTER_S = 3600.0
"""A record that asks for more is asked again after this: postings must not wait on a typo."""


def back_off_s(attempts: int, chance: random.Random) -> float:
    """Give the wait in s before the next try: doubling from 1 s to 300 s, spread by half.

    The spread keeps many postings from coming back at the same moment.
    """
    return _spread(attempts, LONGEST_WAIT_S, chance)


def wait_s(attempts: int, retry_after_s: float | None, chance: random.Random) -> float:
    """Give the wait in s of a posting that failed: its back-off, or what the record asked for."""
    return max(back_off_s(attempts, chance), bounded_retry_after_s(retry_after_s))


def bounded_retry_after_s(told_s: float | None) -> float:
    """Give what the record asked us to wait in s, between 0 and an hour."""
    return min(max(told_s or 0.0, 0.0), LONGEST_RETRY_AFTER_S)


def _spread(count: int, longest_s: float, chance: random.Random) -> float:
    return min(FIRST_WAIT_S * 2.0 ** min(count - 1, 30), longest_s) * chance.uniform(0.5, 1.0)


class Gate(StrEnum):
    """How much may be asked of the record now. ``PROBE``: one posting, to see whether it is back"""

    CLOSED = "closed"
    OPEN = "open"
    PROBE = "probe"


@dataclass(slots=True)
class Breaker:
    """The circuit breaker of one record. In words of electricity: open means nothing flows."""

    chance: random.Random
    failures: int = 0
    openings: int = 0
    since: datetime | None = None
    until: datetime | None = None

    def gate(self, now: datetime) -> Gate:
        if self.since is None or self.until is None:
            return Gate.CLOSED
        # Before its own beginning: the clock has been put back since.
        return Gate.OPEN if self.since <= now < self.until else Gate.PROBE

    def answered(self) -> None:
        """The record answered, whatever it said."""
        self.failures = self.openings = 0
        self.since = self.until = None

    def failed(self, now: datetime, retry_after_s: float | None = None) -> None:
        """The record could not be reached, could not work, or asked us to wait."""
        self.failures += 1
        told_s = bounded_retry_after_s(retry_after_s)
        if self.failures < OUTAGE_AFTER and not told_s:
            return
        self.openings += 1
        wait = max(_spread(self.openings, LONGEST_OPEN_S, self.chance), told_s)
        until = now + timedelta(seconds=wait)
        put_back = self.since is not None and now < self.since
        self.until = until if self.until is None or put_back else max(self.until, until)
        self.since = now


@dataclass(slots=True)
class SiteRate:
    """At most so many postings per minute from each site; ``None`` for no limit.

    A bucket of one minute's postings that fills evenly, so a short burst passes at once.
    """

    per_minute: int | None
    _left: dict[str, tuple[float, datetime]] = field(default_factory=dict)

    def spent(self, now: datetime) -> Collection[str]:
        """Name the sites that may post nothing now."""
        return [site for site in self._left if self._of(site, now) < 1.0]

    def take(self, site: str, now: datetime) -> bool:
        """Count one posting of a site; False where it has to wait."""
        if self.per_minute is None:
            return True
        left = self._of(site, now)
        if left < 1.0:
            return False
        self._left[site] = (left - 1.0, now)
        return True

    def _of(self, site: str, now: datetime) -> float:
        if self.per_minute is None:
            return 1.0
        left, then = self._left.get(site, (float(self.per_minute), now))
        if now < then:  # the clock has been put back: the bucket fills from here
            then = now
            self._left[site] = (left, then)
        passed_s = (now - then).total_seconds()
        return min(left + passed_s * self.per_minute / 60.0, float(self.per_minute))
