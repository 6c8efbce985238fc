"""All that the operations page shows, read at once: what was seen, and what the store knows."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Row

from schemas.group import Device, Group, Site
from services.console import views_operations
from services.console.operations.certificate_lines import CertificateLine, certificate_lines
from services.console.operations.finding import DeviceClock, Facts, Finding
from services.console.operations.findings import findings
from services.console.operations.lookout import Look, Lookout, Seen
from services.console.operations.queue_lines import QueueLine, queue_lines
from services.console.operations.sparks import Spark, spark
from services.console.views_operations import DeviceLine, MissingLine, RoomClock, StoredDay
from services.runtime import audit, deeds
from services.runtime.live_group import GroupWatch
from services.runtime.settings import Settings

_STORED_DAYS: Final = 30
_FILL_DAYS: Final = 14
_AUDITED: Final = timedelta(hours=24)
_MOST_AUDITED: Final = 20
_MOST_CODES: Final = 10
"""What one page bears: these lengths and numbers are invented."""


@dataclass(frozen=True, slots=True)
class Operations:
    """What the pages of operations have at hand beside the console's other parts."""

    settings: Settings
    lookout: Lookout
    group_watch: GroupWatch


@dataclass(frozen=True, slots=True)
class ListedDevice:
    """A device of group.yaml, and how it was heard; ``clock`` where its room's clocks tell."""

    device: Device
    heard: DeviceLine | None
    clock: str | None


@dataclass(frozen=True, slots=True)
class StorageNow:
    """How the images grow. ``days_left`` at the pace of the last two weeks; None: no growth."""

    days: tuple[StoredDay, ...]
    line: Spark
    bytes_a_day: float
    days_left: float | None


@dataclass(frozen=True, slots=True)
class Board:
    """The page's figures. Each list is short: bounded where it is read."""

    now: datetime
    seen: Seen
    look: Look | None
    found: tuple[Finding, ...]
    queues: tuple[QueueLine, ...]
    certificates: tuple[CertificateLine, ...]
    storage: StorageNow
    site: Site
    devices: tuple[ListedDevice, ...]
    missing: tuple[MissingLine, ...]
    refused: Sequence[Row[tuple[Any, ...]]]
    did: Sequence[Row[tuple[Any, ...]]]


def board_of(
    connection: Connection,
    operations: Operations,
    group: Group,
    sites: Sequence[Site],
    site: Site,
    now: datetime | None = None,
) -> Board:
    """Read the board for who may see ``sites``; devices are those of ``site``."""
    moment = now or datetime.now(UTC)
    seen = operations.lookout.seen()
    look = seen.now
    names = None if len(sites) == len(group.sites) else [one.name for one in sites]
    storage = _storage(connection, look, names, moment.date())
    devices = _devices(connection, site)
    missing = views_operations.missing_codes(connection, names).rows
    certificates = certificate_lines(look.services if look else (), moment)
    settings = operations.settings
    found = findings(
        Facts(
            moment,
            seen,
            certificates,
            _clocks(site, devices),
            len(missing),
            storage.days_left if names is None else None,
            settings.intake.min_free_bytes,
            timedelta(hours=settings.console.backup_max_age_h),
        )
    )
    return Board(
        moment,
        seen,
        look,
        tuple(found),
        tuple(queue_lines(seen.looks)),
        tuple(certificates),
        storage,
        site,
        tuple(devices),
        missing[:_MOST_CODES],
        audit.entries(connection, moment - _AUDITED, _MOST_AUDITED, names)[::-1],
        deeds.entries(connection, moment - _AUDITED, _MOST_AUDITED, names)[::-1],
    )


def _storage(
    connection: Connection, look: Look | None, sites: Sequence[str] | None, today: date
) -> StorageNow:
    first = today - timedelta(days=_STORED_DAYS - 1)
    days = views_operations.storage_by_day(connection, first, today, sites)
    by_day = {one.day: one.bytes for one in days}
    sizes = [by_day.get(first + timedelta(days=n), 0) / 1e6 for n in range(_STORED_DAYS)]
    a_day = sum(sizes[-_FILL_DAYS:]) * 1e6 / _FILL_DAYS
    free = look.room.disk_free_bytes if look is not None and look.room is not None else None
    left = free / a_day if free is not None and a_day > 0 else None
    return StorageNow(tuple(days), spark(sizes, "MB stored each day"), a_day, left)


def _devices(connection: Connection, site: Site) -> list[ListedDevice]:
    heard = {one.device: one for one in views_operations.devices(connection, site.name)}
    clocks: dict[str, RoomClock] = {}
    for clock in views_operations.clock_stands(connection, site.name, site.rooms):
        clocks[clock.stand.station] = clock
    return [
        ListedDevice(device, heard.get(device.name), _clock_words(device, heard, clocks))
        for device in site.devices
    ]


def _clock_words(
    device: Device, heard: dict[str, DeviceLine], clocks: dict[str, RoomClock]
) -> str | None:
    told = heard.get(device.name)
    stand = clocks.get(device.name)
    words = []
    if told is not None and told.clock_ahead_s is not None:
        way = "ahead of" if told.clock_ahead_s >= 0 else "behind"
        words.append(f"{abs(told.clock_ahead_s):,.1f} s {way} ours when it was read")
    if stand is not None:
        own = stand.stand
        way = "ahead of" if own.ahead_s >= 0 else "behind"
        words.append(
            f"{abs(own.ahead_s):,.1f} ± {own.ahead_uncertainty_s:,.1f} s {way} {own.generator}, "
            f"drift {own.drift_ppm:+,.0f} ppm, by the images of {stand.day}"
        )
    return "; ".join(words) or None


def _clocks(site: Site, devices: Sequence[ListedDevice]) -> list[DeviceClock]:
    return [
        DeviceClock(site.name, one.device.name, one.heard.clock_ahead_s)
        for one in devices
        if one.heard is not None and one.heard.clock_ahead_s is not None
    ]
