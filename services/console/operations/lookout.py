"""Looks at services, queues and disk every few seconds, so that the page shows it at once.

The page then never waits for a service, a broker or a disk that hangs. What was seen is kept in
memory for an hour; after a start of the console it begins anew, and says since when.
"""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event, Lock
from typing import Final

import structlog

from services.console import watch
from services.console.watch import QueueState, Room, ServiceState
from services.runtime import triage
from services.runtime.bus import Bus
from services.runtime.here import subscriptions_here
from services.runtime.settings import Settings
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

EVERY_S: Final = 10.0
KEPT: Final = timedelta(hours=1)
"""How often is looked, and how far back the page draws; both are invented."""
_MOST: Final = int(KEPT.total_seconds() / EVERY_S)


@dataclass(frozen=True, slots=True)
class Backup:
    """When the last backup was whole, by the file that its job touches; None: no such file."""

    file: Path
    made_at: datetime | None


@dataclass(frozen=True, slots=True)
class Look:
    """What was seen at one moment. What could not be asked is None or empty."""

    at: datetime
    services: tuple[ServiceState, ...] = ()
    queues: tuple[QueueState, ...] = ()
    triage_open: int | None = None
    room: Room | None = None
    store_trouble: str | None = None
    backup: Backup | None = None

    @property
    def bus_answers(self) -> bool | None:
        """Tell whether the bus told of its queues; None where that was not asked."""
        if not self.queues:
            return None
        return all(queue.waiting is not None for queue in self.queues)


@dataclass(frozen=True, slots=True)
class Seen:
    """The looks of the last hour, oldest first; since when each part is away without a break."""

    looks: tuple[Look, ...]
    service_away_since: Mapping[str, datetime]
    bus_away_since: datetime | None

    @property
    def now(self) -> Look | None:
        return self.looks[-1] if self.looks else None


class Lookout:
    """Looks, and keeps what it saw. Safe to use from many threads."""

    def __init__(self, settings: Settings, store: Store, bus: Bus) -> None:
        self._urls = watch.known_services(settings)
        self._heard = subscriptions_here(settings)
        self._images_dir = settings.images_dir
        self._backup_mark = settings.console.backup_mark
        self._store = store
        self._bus = bus
        self._lock = Lock()
        self._looks: deque[Look] = deque(maxlen=_MOST)
        self._away: dict[str, datetime] = {}
        self._bus_away: datetime | None = None

    @property
    def urls(self) -> Mapping[str, str]:
        """Where each service's health server is."""
        return self._urls

    def run(self, stop: Event) -> None:
        """Look until stopped."""
        while not stop.is_set():
            self.look()
            stop.wait(EVERY_S)

    def look(self) -> Look:
        """Look once, now."""
        services = tuple(watch.services(self._urls))
        depths = watch.depths(self._bus, self._heard)  # no transaction stays open meanwhile
        queues: Sequence[QueueState] = ()
        waiting, room, trouble = None, None, None
        try:
            with self._store.read() as connection:
                queues = watch.queue_states(depths, connection, heard=self._heard)
                waiting = triage.count_open(connection)
                room = watch.room(connection, self._images_dir)
        except StoreUnavailable as error:
            trouble = str(error)
            log.warning("lookout_without_store", reason=trouble)
        seen = Look(
            datetime.now(UTC), services, tuple(queues), waiting, room, trouble, self._backup()
        )
        with self._lock:
            self._looks.append(seen)
            for one in services:
                if one.alive:
                    self._away.pop(one.service, None)
                else:
                    self._away.setdefault(one.service, seen.at)
            if seen.bus_answers is False:
                self._bus_away = self._bus_away or seen.at
            elif seen.bus_answers:
                self._bus_away = None
        return seen

    def seen(self) -> Seen:
        """Give what was seen in the last hour."""
        with self._lock:
            return Seen(tuple(self._looks), dict(self._away), self._bus_away)

    def _backup(self) -> Backup | None:
        if self._backup_mark is None:
            return None
        try:
            made_at = datetime.fromtimestamp(self._backup_mark.stat().st_mtime, UTC)
        except OSError:
            made_at = None
        return Backup(self._backup_mark, made_at)
