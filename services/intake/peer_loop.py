"""The loop that tells DICOM peers what we owe them, one process at a time."""

from collections.abc import Callable, Sequence
from threading import Event

import structlog

from services.runtime.store import Store, StoreUnavailable

log = structlog.get_logger(__name__)

_EVERY_S = 0.5
_WAIT_S = 2.0


class PeerLoop:
    """Runs the deliveries that it is given, again and again, until stopped.

    Of several processes of intake one does it; another takes over as soon as that one is gone.
    """

    def __init__(self, store: Store, deliveries: Sequence[Callable[[], int]]) -> None:
        self._store = store
        self._deliveries = deliveries

    def run(self, stop: Event) -> None:
        while not stop.is_set():
            try:
                with self._store.exclusive("intake-peer-deliveries") as mine:
                    while mine and not stop.is_set():
                        for deliver in self._deliveries:
                            deliver()
                        stop.wait(_EVERY_S)
                stop.wait(_EVERY_S)
            except StoreUnavailable as error:
                log.warning("peer_deliveries_wait", reason=str(error))
                stop.wait(_WAIT_S)
            except Exception:
                # What one peer is owed must not take the doors of all others down.
                log.exception("peer_deliveries_wait")
                stop.wait(_WAIT_S)
