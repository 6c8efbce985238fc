"""The loop that forgets what just came once it is long past."""

from datetime import UTC, datetime, timedelta
from threading import Event

import structlog
from sqlalchemy import delete

from services.console.notes.sent_store import SENT
from services.console.tables import ARRIVAL, NOTE_REVISION
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

EVERY_S = 3600.0
KEEP = timedelta(days=35)
"""Longer than the inbox remembers a message, so that an image is added to the storage once."""
REVISIONS_KEPT_FOR = timedelta(days=90)
"""How long one may compare a note's revisions here. The length is invented."""
KEEP_SENT = timedelta(days=2)
"""Longer than what was sent is shown; invented."""


class Upkeep:
    """Forgets old arrivals, revisions of notes and what was sent; conclusions stay."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def run(self, stop: Event) -> None:
        """Look every hour until stopped. A store that is away is only waited for."""
        while not stop.is_set():
            try:
                self.forget(datetime.now(UTC))
            except StoreUnavailable as error:
                log.warning("upkeep_waits", reason=str(error))
            stop.wait(EVERY_S)

    def forget(self, now: datetime) -> int:
        """Forget what came longer ago than is kept; tell how many."""
        past = (
            (ARRIVAL, ARRIVAL.c.received_at < now - KEEP),
            (NOTE_REVISION, NOTE_REVISION.c.told_at < now - REVISIONS_KEPT_FOR),
            (SENT, SENT.c.sent_at < now - KEEP_SENT),
        )
        with self._store.begin() as connection:
            return sum(connection.execute(delete(of).where(old)).rowcount for of, old in past)
