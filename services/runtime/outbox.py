"""The outbox: messages commit with the state that gave rise to them, then go to the bus."""

import threading
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from threading import Event
from typing import Protocol

import structlog
from sqlalchemy import Connection, bindparam, delete, func, insert, select

from schemas.channels import EXCHANGE_OF, Exchange
from schemas.envelope import Message, Payload
from services.runtime.bus import BusUnavailable, Outgoing, Unroutable
from services.runtime.metrics import OUTBOX_WAITING
from services.runtime.store import Store, StoreUnavailable
from services.runtime.tables import OUTBOX

log = structlog.get_logger(__name__)

_PAGE = 500
_IDLE_WAIT_S = 0.05
"""How soon a relay sees what another process of its service has committed."""

_REST = 4
_LONGEST_REST_S = 0.03
"""Under load a relay rests for four times as long as its page took, and at most so long: what comes
meanwhile goes together, with one sync on each side instead of one for each message."""

_MAX_BACK_OFF_S = 10.0

# Built here once: for each page the making of these took longer than their running.
_OLDEST = (
    select(OUTBOX.c.id, OUTBOX.c.exchange, OUTBOX.c.routing_key, OUTBOX.c.message_id, OUTBOX.c.body)
    .where(OUTBOX.c.service == bindparam("of_service"))
    .order_by(OUTBOX.c.id)
    .limit(bindparam("page"))
)
_ROW = insert(OUTBOX)
_GONE = delete(OUTBOX).where(OUTBOX.c.id.in_(bindparam("ids", expanding=True)))
_LENGTHS = (1, 8, 64, _PAGE)


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
        connection.execute(_ROW, rows)
    return len(rows)


@dataclass(frozen=True, slots=True)
class Backlog:
    """What a service has still to publish, and since when the oldest of it waits."""

    service: str
    messages: int
    oldest_at: datetime


MOST_COUNTED = 100_000
"""Of the outboxes together: beyond, a count says 'at least', and stays quick."""


def backlogs(connection: Connection) -> list[Backlog]:
    """List the services whose outbox is not empty, by the oldest ``MOST_COUNTED`` rows."""
    oldest = (
        select(OUTBOX.c.service, OUTBOX.c.created_at)
        .order_by(OUTBOX.c.id)
        .limit(MOST_COUNTED)
        .subquery()
    )
    query = select(oldest.c.service, func.count(), func.min(oldest.c.created_at))
    rows = connection.execute(query.group_by(oldest.c.service).order_by(oldest.c.service))
    return [Backlog(service, int(number), oldest) for service, number, oldest in rows]


class Publishes(Protocol):
    """What a relay brings messages to: a bus, or a place far away."""

    def publish(self, messages: Sequence[Outgoing]) -> None:
        """Return once all are durable there. Raises BusUnavailable or Unroutable."""


class Relay:
    """Publishes one service's outbox in order; a row goes only after the bus has confirmed it.
    At most ``page`` of them go at once.

    Of several processes of a service one relays at a time, so that order holds; another takes
    over as soon as that one is gone.
    """

    def __init__(self, service: str, store: Store, bus: Publishes, page: int = _PAGE) -> None:
        self._service = service
        self._page = page
        self._store = store
        self._bus = bus
        self._wanted = {"of_service": service, "page": page}
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
                        began = time.monotonic()
                        sent = self.drain_page()
                        if 0 < sent < self._page:
                            took_s = time.monotonic() - began
                            stop.wait(min(_REST * took_s, _LONGEST_REST_S))
                        if sent < self._page:
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
            rows = connection.execute(_OLDEST, self._wanted).all()
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
            connection.execute(_GONE, {"ids": _padded([row.id for row in rows])})
        OUTBOX_WAITING.labels(self._service).set(0 if len(rows) < self._page else self.waiting())
        return len(rows)

    def waiting(self) -> int:
        """Count what is still to go."""
        with self._store.read() as connection:
            count = connection.scalar(
                select(func.count()).select_from(OUTBOX).where(OUTBOX.c.service == self._service)
            )
        return int(count or 0)


def _padded(ids: Sequence[int]) -> list[int]:
    """Repeat the last id up to one of few lengths: each length is a statement of its own, which
    driver and database would keep, each for every connection."""
    length = next(length for length in _LENGTHS if len(ids) <= length)
    return [*ids, *[ids[-1]] * (length - len(ids))]
