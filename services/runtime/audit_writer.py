"""The thread that writes refusals, so that no door waits for the store, nor asks it too often."""

from datetime import UTC, datetime
from threading import Event, Lock

import structlog

from services.runtime import audit
from services.runtime.audit import Refusal
from services.runtime.refusal_counts import RefusalCounts
from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

_EVERY_S = 0.25
_WAIT_S = 2.0


class AuditWriter:
    """Takes refusals from any thread and writes them while ``run`` runs.

    A new refusal is in the store within a second; how often it was repeated, within a minute. A
    store that is away is waited for, with what came meanwhile in memory, whose size is bounded.
    A killed process loses its last counts, never more than a minute of them.
    """

    def __init__(self, service: str, store: Store) -> None:
        self._service = service
        self._store = store
        self._counts = RefusalCounts()
        self._lock = Lock()
        self._writing = Lock()

    def refused(self, refusal: Refusal) -> None:
        """Note a refusal. Never waits for the store, never raises for its sake."""
        with self._lock:
            self._counts.note(refusal, datetime.now(UTC))

    def run(self, stop: Event) -> None:
        """Write until stopped, then what is left."""
        while not stop.wait(_EVERY_S):
            try:
                self._write()
            except StoreUnavailable as error:
                log.warning("audit_waits", reason=str(error))
                stop.wait(_WAIT_S)
        self.finish()

    def finish(self) -> None:
        """Write all that is left. Safe to repeat."""
        try:
            self._write(everything=True)
        except StoreUnavailable as error:
            log.error("audit_not_written", reason=str(error))

    def _write(self, *, everything: bool = False) -> None:
        with self._writing:
            with self._lock:
                due = self._counts.due(datetime.now(UTC), everything=everything)
            if due:
                with self._store.begin() as connection:
                    audit.append(connection, self._service, due)
            with self._lock:
                self._counts.written(due, datetime.now(UTC))
