"""The outbox: messages commit with the state that gave rise to them, then go to the bus."""

import threading
from collections.abc import Iterable
from datetime import UTC, datetime
from threading import Event

import structlog
from sqlalchemy import Connection, delete, func, insert, select

from schemas.channels import EXCHANGE_OF, Exchange
from schemas.envelope import Message, Payload
from services.runtime.bus import Bus, BusUnavailable, Outgoing, Unroutable
from services.runtime.metrics import OUTBOX_WAITING
from services.runtime.store import Store, StoreUnavailable
from services.runtime.tables import OUTBOX

log = structlog.get_logger(__name__)

_PAGE = 500
_IDLE_WAIT_S = 0.05
"""How soon a relay sees what another process of its service has committed."""

_MAX_BACK_OFF_S = 10.0


def put(
    connection: Connection,
    service: str,
    messages: Iterable[Message[Payload]],
    exchange: Exchange | None = None,
) -> int:
    """Write messages into the outbox, in this transaction; tell how many.

    A message goes to the exchange of its kind unless another is named. Raises MessageTooLarge.
    """
    now = datetime.now(UTC)
    rows = []
    for message in messages:
        outgoing = Outgoing(
            exchange or EXCHANGE_OF[message.kind],
            message.routing_key,
            str(message.id),
            message.encode(),
        )
        rows.append(
            {
                "service": service,
                "exchange": outgoing.exchange.value,
                "routing_key": outgoing.routing_key,
                "message_id": outgoing.message_id,
                "body": outgoing.body,
                "created_at": now,
            }
        )
    if rows:
        connection.execute(insert(OUTBOX), rows)
    return len(rows)


class Relay:
    """Publishes one service's outbox in order; a row goes only after the bus has confirmed it.

    Of several processes of a service one relays at a time, so that order holds; another takes
    over as soon as that one is gone.
    """

    def __init__(self, service: str, store: Store, bus: Bus) -> None:
        self._service = service
        self._store = store
        self._bus = bus
        self._woken = threading.Event()

    def wake(self) -> None:
        """Tell that rows were committed."""
        self._woken.set()

    def run(self, stop: Event) -> None:
        """Relay until stopped; trouble with bus or store only delays."""
        back_off_s = _IDLE_WAIT_S
        while not stop.is_set():
            try:
                with self._store.exclusive(f"relay-{self._service}") as mine:
                    while mine and not stop.is_set():
                        if self.drain_page() == 0:
                            self._idle(_IDLE_WAIT_S)
                        back_off_s = _IDLE_WAIT_S
                self._idle(1.0)
            except (BusUnavailable, StoreUnavailable, Unroutable) as error:
                log.warning("relay_waits", service=self._service, reason=str(error))
                back_off_s = min(back_off_s * 2, _MAX_BACK_OFF_S)
                stop.wait(back_off_s)

    def _idle(self, seconds: float) -> None:
        self._woken.wait(seconds)
        self._woken.clear()

    def drain_page(self) -> int:
        """Publish the oldest page; give the number of messages that went."""
        with self._store.read() as connection:
            rows = connection.execute(
                select(OUTBOX)
                .where(OUTBOX.c.service == self._service)
                .order_by(OUTBOX.c.id)
                .limit(_PAGE)
            ).all()
        if not rows:
            OUTBOX_WAITING.labels(self._service).set(0)
            return 0
        self._bus.publish(
            [
                Outgoing(Exchange(row.exchange), row.routing_key, row.message_id, row.body)
                for row in rows
            ]
        )
        with self._store.begin() as connection:
            # By the ids themselves: a smaller id may have been committed after we read.
            connection.execute(delete(OUTBOX).where(OUTBOX.c.id.in_([row.id for row in rows])))
        OUTBOX_WAITING.labels(self._service).set(0 if len(rows) < _PAGE else self.waiting())
        return len(rows)

    def waiting(self) -> int:
        """Count what is still to go."""
        with self._store.read() as connection:
            count = connection.scalar(
                select(func.count()).select_from(OUTBOX).where(OUTBOX.c.service == self._service)
            )
        return int(count or 0)
