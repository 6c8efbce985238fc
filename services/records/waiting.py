"""What waits for the record and how long, for the metrics."""

from datetime import UTC, datetime
from uuid import UUID

from services.records import store
from services.records.bar import standing
from services.runtime.metrics import (
    POSTINGS_OLDEST_SECONDS,
    POSTINGS_WAITING,
    RECORD_NEEDS_PERSON,
)
from services.runtime.store import Store

_VERSION_WITH_TIME = 7


def measure(store_: Store, now: datetime) -> None:
    """Set the gauges of waiting postings and of what bars them. Raises StoreUnavailable."""
    with store_.read() as connection:
        POSTINGS_WAITING.set(store.count_waiting(connection))
        oldest = store.oldest_waiting(connection)
        RECORD_NEEDS_PERSON.set(1 if standing(connection) else 0)
    since = None if oldest is None else told_at(UUID(oldest.message_id))
    POSTINGS_OLDEST_SECONDS.set(0.0 if since is None else max((now - since).total_seconds(), 0.0))


def told_at(message_id: UUID) -> datetime | None:
    """Give when a message was made, from its UUIDv7.

    ms in its first 48 bits (RFC 9562 section 5.7, from memory). None for an id of another
    version, which carries no such time.
    """
    if message_id.version != _VERSION_WITH_TIME:
        return None
    return datetime.fromtimestamp((message_id.int >> 80) / 1000.0, UTC)
