"""Publishing with confirms, many messages under way at once.

One by one, a confirm costs a round trip and a sync of the broker's disk each time; with a window
the broker syncs many at once, which is more than ten times as fast. Publishers have their own
connection, since a broker short of memory stops reading from those that publish, and
acknowledgements must still get through (https://www.rabbitmq.com/docs/alarms).
"""

from collections import Counter, deque
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import structlog
from pika import BasicProperties, spec

from services.runtime.bus import BusError, BusLimits, BusUnavailable, Unroutable
from services.runtime.bus_amqp_errors import words_of
from services.runtime.bus_amqp_link import Link, open_channel
from services.runtime.bus_amqp_topology import ATTEMPT_HEADER

_log = structlog.get_logger(__name__)

WINDOW_MESSAGES = 1_000
WINDOW_BYTES = 16_000_000
_NOT_FOUND = 404
_PERSISTENT = 2


@dataclass(frozen=True, slots=True)
class Parcel:
    """A message as it goes on the wire; the exchange may be the default one."""

    exchange: str
    routing_key: str
    message_id: str
    body: bytes
    attempt: int = 1
    must_be_heard: bool = True

    @property
    def mark(self) -> tuple[str, str, str]:
        """What the broker tells us when it returns a message."""
        return self.exchange, self.routing_key, self.message_id


@dataclass(eq=False, slots=True)
class _Job:
    """One call of ``publish``: it ends when its last message is confirmed, or with an error."""

    parcels: Sequence[Parcel]
    sent: int = 0
    confirmed: int = 0
    error: BusError | None = None
    result: Future[None] = field(default_factory=Future)

    def finish(self, error: BusError | None) -> None:
        """Answer the caller, once."""
        if self.result.done():
            return
        if error is None:
            self.result.set_result(None)
        else:
            self.result.set_exception(error)


@dataclass(frozen=True, slots=True)
class _Sent:
    job: _Job
    parcel: Parcel
    at_s: float


class Publisher:
    """Publishes on one channel of a link. All but ``publish`` runs in the I/O thread."""

    def __init__(self, link: Link, limits: BusLimits) -> None:
        self._link = link
        self._limits = limits
        self._attached = False
        self._channel: Any = None
        self._ready = False
        self._jobs: deque[_Job] = deque()
        self._unconfirmed: dict[int, _Sent] = {}
        self._unconfirmed_bytes = 0
        self._last_tag = 0
        self._returned: Counter[tuple[str, str, str]] = Counter()
        self._watching = False

    def publish(self, parcels: Sequence[Parcel]) -> None:
        """Send all in order and return once the broker has confirmed each; from any thread.

        Raises
        ------
        BusUnavailable
            Not connected, refused, or unconfirmed for too long.
        Unroutable
            No queue took at least one of them.
        """
        if not parcels:
            return
        job = _Job(parcels)
        if not self._link.io.post(partial(self._submit, job)):
            raise BusUnavailable("the bus was closed: open a new one to publish")
        job.result.result()

    def up(self, connection: Any) -> None:
        """Open a channel with confirms."""
        self._channel = open_channel(connection, self._on_channel, self._on_channel_closed)

    def down(self, reason: str) -> None:
        """Fail what is under way: whether the broker took it is not known."""
        self._forget(BusUnavailable(reason))

    def _submit(self, job: _Job) -> None:
        if self._link.failing is not None:
            job.finish(BusUnavailable(self._link.failing))
            return
        self._jobs.append(job)
        if not self._attached:
            self._attached = True
            self._link.attach(self)
        elif self._ready:
            self._pump()

    def _on_channel(self, channel: Any) -> None:
        channel.add_on_return_callback(self._on_return)
        channel.confirm_delivery(self._on_confirm, self._on_ready)

    def _on_ready(self, _frame: Any) -> None:
        self._ready = True
        self._last_tag = 0
        self._pump()

    def _on_channel_closed(self, channel: Any, error: BaseException) -> None:
        if channel is not self._channel or not channel.connection.is_open:
            return  # ``down`` tells the reason of a lost connection
        text = words_of(error)
        if getattr(error, "reply_code", None) == _NOT_FOUND:
            self._blame_missing_exchange(text)
        self._forget(BusUnavailable(f"RabbitMQ closed the publishing channel: {text}"))
        self.up(channel.connection)

    def _blame_missing_exchange(self, text: str) -> None:
        for sent in self._unconfirmed.values():
            if f"'{sent.parcel.exchange}'" in text:
                sent.job.finish(Unroutable(sent.parcel.exchange, sent.parcel.routing_key))

    def _forget(self, error: BusError) -> None:
        self._channel, self._ready = None, False
        under_way = [sent.job for sent in self._unconfirmed.values()] + list(self._jobs)
        self._unconfirmed.clear()
        self._unconfirmed_bytes = 0
        self._returned.clear()
        self._jobs.clear()
        for job in under_way:
            job.finish(error)

    def _pump(self) -> None:
        """Send on while the window is open."""
        now_s = self._link.io.now_s()
        while self._jobs:
            job = self._jobs[0]
            while job.sent < len(job.parcels):
                if not self._window_is_open():
                    self._watch()
                    return
                self._send(job, job.parcels[job.sent], now_s)
            self._jobs.popleft()
        self._watch()

    def _window_is_open(self) -> bool:
        return len(self._unconfirmed) < WINDOW_MESSAGES and self._unconfirmed_bytes < WINDOW_BYTES

    def _send(self, job: _Job, parcel: Parcel, now_s: float) -> None:
        headers = None if parcel.attempt == 1 else {ATTEMPT_HEADER: parcel.attempt}
        job.sent += 1
        self._last_tag += 1
        self._unconfirmed[self._last_tag] = _Sent(job, parcel, now_s)
        self._unconfirmed_bytes += len(parcel.body)
        self._channel.basic_publish(
            parcel.exchange,
            parcel.routing_key,
            parcel.body,
            BasicProperties(
                delivery_mode=_PERSISTENT,
                message_id=parcel.message_id,
                content_type="application/json",
                headers=headers,
            ),
            mandatory=parcel.must_be_heard,
        )

    def _on_return(self, _channel: Any, method: Any, properties: Any, _body: bytes) -> None:
        """The broker returns a message before it confirms it."""
        self._returned[(method.exchange, method.routing_key, properties.message_id)] += 1

    def _on_confirm(self, frame: Any) -> None:
        method = frame.method
        refused = isinstance(method, spec.Basic.Nack)
        if method.multiple:
            # The dict keeps the order of sending, so the covered tags stand in front.
            while self._unconfirmed:
                tag = next(iter(self._unconfirmed))
                if tag > method.delivery_tag:
                    break
                self._settle(tag, refused)
        else:
            self._settle(method.delivery_tag, refused)
        if self._jobs:
            self._pump()

    def _settle(self, tag: int, refused: bool) -> None:
        sent = self._unconfirmed.pop(tag, None)
        if sent is None:
            return
        job, parcel = sent.job, sent.parcel
        self._unconfirmed_bytes -= len(parcel.body)
        job.confirmed += 1
        if self._returned and self._returned[parcel.mark] > 0:
            self._returned -= Counter([parcel.mark])
            job.error = job.error or Unroutable(parcel.exchange, parcel.routing_key)
        elif refused:
            job.error = job.error or BusUnavailable(
                f"RabbitMQ refused message {parcel.message_id}: its queue is full or has no leader"
            )
        if job.confirmed == len(job.parcels):
            job.finish(job.error)

    def _watch(self) -> None:
        """While anything is unconfirmed, look from time to time at how old the oldest is."""
        if not self._watching and self._unconfirmed:
            self._watching = True
            self._link.io.later(self._limits.confirm_timeout_s / 10, self._look)

    def _look(self) -> None:
        self._watching = False
        if not self._unconfirmed:
            return
        oldest = next(iter(self._unconfirmed.values()))
        age_s = self._link.io.now_s() - oldest.at_s
        if age_s >= self._limits.confirm_timeout_s:
            _log.warning("amqp_unconfirmed", message_id=oldest.parcel.message_id)
            self._forget(BusUnavailable(f"RabbitMQ confirmed nothing for {age_s:.0f} s"))
            self._link.abandon("no confirm in time")
            return
        self._watch()
