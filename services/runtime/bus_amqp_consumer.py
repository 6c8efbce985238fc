"""Consuming: the I/O thread fills a buffer, the caller's thread empties it and answers."""

import threading
from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import structlog

from schemas.channels import Subscription
from services.runtime.bus import BusError, BusLimits, Delivery
from services.runtime.bus_amqp_errors import (
    QueueDiffers,
    address_of,
    settings_differ,
    words_of,
)
from services.runtime.bus_amqp_link import Link, open_channel, pause_s
from services.runtime.bus_amqp_tap import Held, Tap
from services.runtime.bus_amqp_topology import ATTEMPT_HEADER, dead_queue, declare

_log = structlog.get_logger(__name__)

# With one message at a time, a message that kills its consumer takes no neighbour with it: the
# broker counts a return of every message that the dead consumer held.
_CAREFUL = 1

# A header may say anything; this much the triage can keep. The number is invented.
_MOST_ATTEMPTS = 1_000_000


class Consumer:
    """The consumers of one subscription: of its queue and of its queue of the dead.

    ``take`` and ``close`` belong to the caller's thread, the rest to the I/O thread.
    """

    def __init__(self, link: Link, subscription: Subscription, limits: BusLimits) -> None:
        self.queue = subscription.queue
        self._link = link
        self._subscription = subscription
        self._limits = limits
        self._ready = threading.Condition()
        self._buffer: deque[Held] = deque()
        self._failure: BusError | None = None
        self._ended = threading.Event()
        self._tap: Tap | None = None
        self._refusals = 0
        self.registered = False
        self.over = False

    # The caller's thread.

    def start(self) -> bool:
        """Begin; False if the bus was closed."""
        return self._link.io.post(partial(self._link.attach, self))

    def take(self, most: int, wait_s: float) -> list[Held]:
        """Give what is ready, at most ``most``; wait a little for the first. Raises the failure
        that ended the consumer."""
        with self._ready:
            if not self._buffer and self._failure is None and not self.over:
                self._ready.wait(wait_s)
            if self._failure is not None:
                raise self._failure
            return [self._buffer.popleft() for _ in range(min(most, len(self._buffer)))]

    def settle(self, held: Sequence[Held]) -> None:
        """Acknowledge deliveries whose work is durable."""
        if held:
            self._link.io.post(partial(self._settle, tuple(held)))

    def redeliver_later(self, held: Held, wait_s: float) -> None:
        """Hand out a dead message again after a wait; it stays unacknowledged meanwhile."""
        again = replace(held.delivery, attempt=held.delivery.attempt + 1)
        later = Held(held.tap, held.tag, again)
        self._link.io.post(lambda: self._redeliver_later(later, wait_s))

    def restart(self) -> None:
        """Drop the channel: everything unanswered goes back, and all is declared anew."""
        self._link.io.post(self._restart)

    def close(self, timeout_s: float) -> None:
        """End; what was not answered is back in its queue on return, if the broker is there."""
        if self._link.io.post(self._close) and not self._ended.wait(timeout_s):
            _log.warning("amqp_consumer_close_timed_out", queue=self.queue)

    # The I/O thread.

    def up(self, connection: Any) -> None:
        """Open a channel and rebuild everything on it."""
        open_channel(connection, self._on_channel, self._on_channel_closed)

    def down(self, reason: str) -> None:
        """Forget the lost channel."""
        del reason
        self._lose_tap()
        if self.over:
            self._ended.set()

    def end(self) -> None:
        """The bus closes: ``take`` gives nothing more."""
        with self._ready:
            self.over = True
            self._ready.notify_all()

    def _on_channel(self, channel: Any) -> None:
        if self.over:
            channel.close()
            return
        tap = Tap(channel)
        self._tap = tap
        channel.add_on_cancel_callback(lambda _frame: self._restart())
        declare(channel, [self._subscription], self._limits)
        channel.basic_qos(prefetch_count=_CAREFUL)
        channel.basic_consume(dead_queue(self.queue), partial(self._on_message, tap, True))
        tap.main_tag = channel.basic_consume(
            self.queue,
            partial(self._on_message, tap, False),
            callback=partial(self._on_registered, tap),
        )

    def _on_registered(self, tap: Tap, _frame: Any) -> None:
        if tap is self._tap and not self.over:
            self.registered = True
            self._refusals = 0
            _log.info("amqp_consuming", queue=self.queue)

    def _on_message(
        self, tap: Tap, dead: bool, _channel: Any, method: Any, properties: Any, body: bytes
    ) -> None:
        if not tap.open:
            return
        headers = properties.headers or {}
        delivery = Delivery(
            message_id=properties.message_id or "",
            body=body,
            attempt=_attempt(headers),
            redelivered=bool(method.redelivered),
            dead_reason=self._dead_reason(headers) if dead else None,
        )
        tap.outstanding[method.delivery_tag] = None
        self._offer(Held(tap, method.delivery_tag, delivery))

    def _offer(self, held: Held) -> None:
        with self._ready:
            self._buffer.append(held)
            self._ready.notify_all()

    def _dead_reason(self, headers: dict[str, Any]) -> str:
        deaths = headers.get("x-death") or [{}]
        reason = str(deaths[0].get("reason", "unknown"))
        if reason == "delivery_limit":
            return f"delivered {self._limits.delivery_limit} times without an answer"
        return f"given up by the broker: {reason}"

    def _settle(self, held: Sequence[Held]) -> None:
        for tap in {item.tap: None for item in held}:
            mine = [item for item in held if item.tap is tap]
            tags = [item.tag for item in mine]
            fresh = any(not item.delivery.redelivered and not item.dead for item in mine)
            if tap.open and tap.careful and fresh and self._limits.prefetch > _CAREFUL:
                self._widen(tap, tags)
            else:
                tap.settle(tags)

    def _widen(self, tap: Tap, tags: list[int]) -> None:
        """Go from one message at a time to the full prefetch.

        A prefetch holds for consumers made after it, so there must be a new one. The old one
        cannot get a message meanwhile, since its only one is acknowledged last.
        """
        tap.careful, tap.widening = False, True
        old = tap.main_tag
        tap.channel.basic_qos(prefetch_count=self._limits.prefetch)
        tap.main_tag = tap.channel.basic_consume(self.queue, partial(self._on_message, tap, False))
        tap.channel.basic_cancel(old, callback=lambda _frame: self._widened(tap, tags))

    def _widened(self, tap: Tap, tags: list[int]) -> None:
        tap.widening = False
        tap.settle(tags)
        if self.over:
            self._wind_up(tap)

    def _redeliver_later(self, held: Held, wait_s: float) -> None:
        def hand_out() -> None:
            if held.tap.open:
                self._offer(held)

        self._link.io.later(wait_s, hand_out)

    def _restart(self) -> None:
        if self._tap is not None and self._tap.channel.is_open and not self.over:
            self._tap.channel.close()

    def _on_channel_closed(self, channel: Any, error: BaseException) -> None:
        lost_here = self._tap is not None and self._tap.channel is channel
        registered = self.registered
        if lost_here:
            self._lose_tap()
        if self.over:
            self._link.detach(self)
            self._ended.set()
            return
        if not channel.connection.is_open:
            return
        if settings_differ(error) and not registered:
            failure = QueueDiffers(address_of(self._link.parameters), words_of(error))
            with self._ready:
                self._failure = failure
                self._ready.notify_all()
            return
        wait_s = pause_s(self._refusals)
        self._refusals += 1
        _log.warning(
            "amqp_consumer_lost",
            queue=self.queue,
            reason=words_of(error),
            retry_in_s=round(wait_s, 2),
        )
        connection = channel.connection
        self._link.io.later(wait_s, partial(self._try_again, connection))

    def _try_again(self, connection: Any) -> None:
        if connection.is_open and self._tap is None and not self.over:
            self.up(connection)

    def _lose_tap(self) -> None:
        self.registered = False
        if self._tap is None:
            return
        self._tap.open = False
        self._tap = None
        with self._ready:
            self._buffer.clear()

    def _close(self) -> None:
        self.registered = False
        self.end()
        if self._tap is not None and self._tap.channel.is_open:
            if not self._tap.widening:
                self._wind_up(self._tap)
            return
        self._link.detach(self)
        self._ended.set()

    def _wind_up(self, tap: Tap) -> None:
        """Cancel, then close. A quorum queue may overlook acknowledgements that come right before
        their channel closes (rabbitmq-server issue 10327); the answer to the cancel comes later.
        """

        def close(_frame: Any) -> None:
            if tap.channel.is_open:
                tap.channel.close()

        if tap.channel.is_open:
            tap.channel.basic_cancel(tap.main_tag, callback=close)


def _attempt(headers: dict[str, Any]) -> int:
    value = headers.get(ATTEMPT_HEADER, 1)
    return min(value, _MOST_ATTEMPTS) if isinstance(value, int) and value > 0 else 1
