"""What operations asks outside the read model: queues, outboxes, services, room on the disk."""

import ssl
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from shutil import disk_usage
from time import perf_counter
from typing import Any, Final

import httpx
from prometheus_client.parser import text_string_to_metric_families
from sqlalchemy import Connection, text

from schemas.channels import SUBSCRIPTIONS, Subscription
from services.runtime import inbox, outbox
from services.runtime.bus import Bus, BusUnavailable
from services.runtime.bus_amqp_topology import dead_queue
from services.runtime.service import service_names, services_here
from services.runtime.settings import HealthSettings, Settings

_ASK_S = 1.0
_MOST_READ: Final = 4_000_000
_COUNTED_OVER = timedelta(minutes=5)
_SHOWN = frozenset(
    {
        "gomphosis_outbox_waiting",
        "gomphosis_postings_waiting",
        "gomphosis_postings_oldest_seconds",
        "gomphosis_record_breaker_open",
        "gomphosis_record_needs_person",
        "gomphosis_triage_open",
    }
)
"""The counters of a service that operations shows; those of the record's adapter among them."""


@dataclass(frozen=True, slots=True)
class QueueState:
    """A worker's queue. ``waiting``: None where the bus does not tell now. ``unsent`` is what the
    service of that name has still to publish; ``handled_a_minute`` what it did of late. ``dead`` is
    what the bus has given up delivering and no worker has put into the triage yet; None where the
    bus tells none (the embedded one hands it to the worker at once)."""

    queue: str
    waiting: int | None
    unsent: int
    oldest_unsent_at: datetime | None
    handled_a_minute: float
    dead: int | None = None


@dataclass(frozen=True, slots=True)
class ServiceState:
    """What a service says of itself. ``parts`` by name; empty where it did not answer, and
    ``trouble`` says why. ``about`` is what it says at ``/about``; ``clock_ahead_s`` how far its
    clock is ahead of ours, by that."""

    service: str
    ready: bool
    parts: Mapping[str, bool] = field(default_factory=dict)
    counters: Mapping[str, float] = field(default_factory=dict)
    trouble: str | None = None
    about: Mapping[str, Any] = field(default_factory=dict)
    clock_ahead_s: float | None = None

    @property
    def alive(self) -> bool:
        """Tell whether it answers at all."""
        return self.trouble is None

    @property
    def version(self) -> str | None:
        told = self.about.get("version")
        return told if isinstance(told, str) else None

    @property
    def group(self) -> Mapping[str, Any]:
        """Which group.yaml it has in force: ``sha256``, ``taken_up_at``, ``refused``."""
        told = self.about.get("group")
        return told if isinstance(told, dict) else {}


@dataclass(frozen=True, slots=True)
class Room:
    """The store's size, and the room that is left where the images are."""

    store_bytes: int
    disk_free_bytes: int
    disk_bytes: int


def queue_states(
    told: Mapping[str, int],
    connection: Connection,
    now: datetime | None = None,
    heard: Sequence[Subscription] = SUBSCRIPTIONS,
) -> list[QueueState]:
    """Put together what the bus told of each queue (``depths``) and what the store knows of it."""
    moment = now or datetime.now(UTC)
    unsent = {one.service: one for one in outbox.backlogs(connection)}
    handled = inbox.handled_since(connection, moment - _COUNTED_OVER)
    minutes = _COUNTED_OVER / timedelta(minutes=1)
    found = []
    for subscription in heard:
        queue = subscription.queue
        backlog = unsent.get(queue)
        found.append(
            QueueState(
                queue,
                told.get(queue),
                backlog.messages if backlog is not None else 0,
                backlog.oldest_at if backlog is not None else None,
                handled.get(queue, 0) / minutes,
                told.get(dead_queue(queue)),
            )
        )
    return found


def depths(bus: Bus, heard: Sequence[Subscription] = SUBSCRIPTIONS) -> dict[str, int]:
    """Ask the bus for each queue, and for what was given up of it, until it does not answer."""
    names = [subscription.queue for subscription in heard]
    found: dict[str, int] = {}
    try:
        for name in names:
            found[name] = bus.depth(name)
    except BusUnavailable:
        return found
    try:
        for name in map(dead_queue, names):
            found[name] = bus.depth(name)
    except BusUnavailable:  # the embedded bus has none
        return found
    return found


def known_services(settings: Settings) -> dict[str, str]:
    """Give the health address of each service, as far as the settings name it."""
    here = health_urls(settings.health, services_here(settings))
    return here | dict(settings.console.service_urls)


def health_urls(settings: HealthSettings, names: Sequence[str] | None = None) -> dict[str, str]:
    """Give the health address of each service where all run on one machine, a port each."""
    known = service_names() if names is None else names
    return {
        name: f"http://{settings.host}:{settings.port + number}"
        for number, name in enumerate(known)
    }


def services(urls: Mapping[str, str]) -> list[ServiceState]:
    """Ask every service whether it is ready, all at once, for a second at most."""
    with ThreadPoolExecutor(max_workers=max(len(urls), 1)) as pool:
        return list(pool.map(lambda item: _ask(*item), sorted(urls.items())))


def asking(timeout_s: float) -> httpx.Client:
    """Give a client for the health servers of services."""
    return httpx.Client(timeout=timeout_s, trust_env=False, verify=_trusted())


@cache
def _trusted() -> ssl.SSLContext:
    """Loaded once: it takes longer than all that is asked by it."""
    return httpx.create_ssl_context(trust_env=False)


def _ask(service: str, url: str) -> ServiceState:
    try:
        with asking(_ASK_S) as client:
            ready = client.get(f"{url}/readyz")
            told = ready.json()
            counted = client.get(f"{url}/metrics").text
            asked, began = datetime.now(UTC), perf_counter()
            about = client.get(f"{url}/about")
            took_s = perf_counter() - began
        parts = {str(name): bool(value) for name, value in dict(told).items()}
        said = about.json() if about.status_code == 200 else {}
        about_it: dict[str, Any] = said if isinstance(said, dict) else {}
        return ServiceState(
            service,
            ready.status_code == 200,
            parts,
            _counters(counted[:_MOST_READ]),
            about=about_it,
            clock_ahead_s=_ahead_s(about_it.get("now"), asked + timedelta(seconds=took_s / 2)),
        )
    except (httpx.HTTPError, ValueError) as error:
        return ServiceState(service, False, trouble=f"no answer from {url}: {error}")


def _ahead_s(told: Any, ours: datetime) -> float | None:
    if not isinstance(told, str):
        return None
    return (datetime.fromisoformat(told) - ours).total_seconds()


def _counters(told: str) -> dict[str, float]:
    samples: Iterable[tuple[str, float]] = (
        (sample.name, float(sample.value))
        for family in text_string_to_metric_families(told)
        for sample in family.samples
    )
    found: dict[str, float] = {}
    for name, value in samples:
        if name in _SHOWN:
            found[name] = max(found.get(name, value), value)
    return found


def room(connection: Connection, images_dir: Path) -> Room:
    """Measure the store, and the disk of the images; the folder's parent where it is not yet."""
    if connection.dialect.name == "sqlite":
        pages = int(connection.scalar(text("PRAGMA page_count")) or 0)
        size = pages * int(connection.scalar(text("PRAGMA page_size")) or 0)
    else:
        size = int(connection.scalar(text("SELECT pg_database_size(current_database())")) or 0)
    folder = next(one for one in (images_dir, *images_dir.absolute().parents) if one.exists())
    usage = disk_usage(folder)
    return Room(size, usage.free, usage.total)
