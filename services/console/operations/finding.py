"""A thing that is wrong, and all that is judged.

The bounds here are invented starting points.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import IntEnum
from typing import Final

from services.console.operations.certificate_lines import CertificateLine
from services.console.operations.lookout import Seen

LONG_BEHIND: Final = timedelta(minutes=2)
"""A queue that is further behind is told."""
DISK_SHARE: Final = 0.1
DISK_DAYS: Final = 14.0
STALE: Final = timedelta(seconds=90)
CLOCK_S: Final = 5.0
DEVICE_CLOCK_S: Final = 120.0
RECORD_WAITS_S: Final = 900.0


class Weight(IntEnum):
    """How soon somebody has to act."""

    NOW = 0
    SOON = 1
    NOTE = 2

    @property
    def words(self) -> str:
        return {Weight.NOW: "act now", Weight.SOON: "look soon", Weight.NOTE: "note"}[self]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is wrong: what, what that means, what to do next."""

    weight: Weight
    what: str
    means: str
    next: str
    address: str | None = None


@dataclass(frozen=True, slots=True)
class DeviceClock:
    """How far a device's clock is ahead of ours."""

    site: str
    device: str
    ahead_s: float


@dataclass(frozen=True, slots=True)
class Facts:
    """All that is judged. ``disk_days``: for how long the disk lasts as it fills of late."""

    now: datetime
    seen: Seen
    certificates: Sequence[CertificateLine] = ()
    clocks: Sequence[DeviceClock] = ()
    codes_missing: int = 0
    disk_days: float | None = None
    min_free_bytes: int = 0
    backup_max_age: timedelta = timedelta(hours=26)


def start_of(service: str) -> str:
    """Say how a service is started, and where its log is."""
    return (
        f"Start it ('docker compose up -d {service}', or 'gomphosis start') and look at its log "
        f"('docker compose logs --tail 50 {service}')."
    )
