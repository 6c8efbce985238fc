"""One connection to the broker that is opened again as often as it is lost, at the next node of a
cluster where there is one.

All of it runs in the I/O thread. Users are told when the connection is up and when it is down;
each then rebuilds its own channel, queues, bindings and consumers, in that order.
"""

import random
from collections.abc import Callable
from enum import Enum
from typing import Any, Protocol

import structlog
from pika import SelectConnection
from pika import exceptions as pika_errors

from services.runtime.bus_amqp_address import Brokers
from services.runtime.bus_amqp_errors import address_of, describe
from services.runtime.bus_amqp_io import IoThread

_log = structlog.get_logger(__name__)

FIRST_PAUSE_S = 0.1
LONGEST_PAUSE_S = 5.0
STEADY_AFTER_S = 10.0
CLOSE_GRACE_S = 3.0


class LinkUser(Protocol):
    """Whoever works on a link. Called in the I/O thread."""

    def up(self, connection: Any) -> None:
        """Start work: the connection is open."""

    def down(self, reason: str) -> None:
        """Stop work: the connection could not be opened, or is lost."""


def open_channel(
    connection: Any,
    on_open: Callable[[Any], None],
    on_close: Callable[[Any, BaseException], None],
) -> Any:
    """Open a channel whose end is told to ``on_close`` even if it never opened."""
    channel = connection.channel(on_open_callback=on_open)
    channel.add_on_close_callback(on_close)
    return channel


class _State(Enum):
    IDLE = "idle"
    CONNECTING = "connecting"
    OPEN = "open"
    PAUSING = "pausing"
    CLOSED = "closed"


def pause_s(failures: int) -> float:
    """Give the wait before try number ``failures``: growing, with jitter, so that many services
    do not come back in the same instant."""
    longest = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2.0 ** min(failures, 16))
    return longest * random.uniform(0.5, 1.0)


class Link:
    """Keeps one connection open from the first ``attach`` until ``close``."""

    def __init__(self, io: IoThread, brokers: Brokers, purpose: str) -> None:
        self.io = io
        self._brokers = brokers
        self._purpose = purpose
        self._users: list[LinkUser] = []
        self._state = _State.IDLE
        self._connection: Any = None
        self._failures = 0
        self._tried = 0
        self._opened_at_s = 0.0
        self._reason: str | None = None
        self._timer: Any = None
        self._on_gone: Callable[[], None] = lambda: None
        io.on_fault(self._drop)

    @property
    def parameters(self) -> Any:
        """Those of the node that is in use, or tried."""
        return self._brokers.now

    @property
    def failing(self) -> str | None:
        """Why the last try failed, while no new one has succeeded."""
        return self._reason

    def attach(self, user: LinkUser) -> None:
        """Add a user; it hears ``up`` or ``down`` at once where the state is known."""
        self._users.append(user)
        if self._state is _State.OPEN:
            user.up(self._connection)
        elif self._state is _State.IDLE:
            self._connect()
        elif self._reason is not None:
            user.down(self._reason)

    def detach(self, user: LinkUser) -> None:
        """Take a user away; it hears no more."""
        if user in self._users:
            self._users.remove(user)

    def close(self, on_gone: Callable[[], None]) -> None:
        """Close the connection, open no other, and call back when nothing is open any more."""
        self._on_gone = on_gone
        was, self._state = self._state, _State.CLOSED
        if self._timer is not None:
            self.io.cancel(self._timer)
        for user in tuple(self._users):
            user.down(f"the connection to RabbitMQ at {address_of(self.parameters)} was closed")
        self._users.clear()
        if was in (_State.OPEN, _State.CONNECTING):
            if was is _State.OPEN:
                self._connection.close()
            # While connecting pika cannot be interrupted cleanly, and a blocked broker would
            # never answer our close.
            self._timer = self.io.later(CLOSE_GRACE_S, self._give_up)
        else:
            on_gone()

    def _connect(self) -> None:
        self._timer = None
        self._state = _State.CONNECTING
        self._connection = SelectConnection(
            self.parameters,
            on_open_callback=self._on_open,
            on_open_error_callback=self._on_failure,
            on_close_callback=self._on_loss,
            custom_ioloop=self.io.loop,
        )

    def _on_open(self, connection: Any) -> None:
        if self._state is _State.CLOSED:
            connection.close()
            return
        self._state = _State.OPEN
        self._reason = None
        self._tried = 0
        self._opened_at_s = self.io.now_s()
        _log.info("amqp_connected", broker=address_of(self.parameters), purpose=self._purpose)
        for user in tuple(self._users):
            user.up(connection)

    def _on_failure(self, _connection: Any, error: BaseException) -> None:
        self._over(error)

    def _on_loss(self, _connection: Any, error: BaseException) -> None:
        if self.io.now_s() - self._opened_at_s > STEADY_AFTER_S:
            self._failures = 0
        self._over(error)

    def _over(self, error: BaseException) -> None:
        """Tell the users and plan the next try."""
        lost, self._connection = self._state is _State.OPEN, None
        if self._state is _State.CLOSED:
            if self._timer is not None:
                self.io.cancel(self._timer)
            self._on_gone()
            return
        reason = describe(error, self.parameters)
        self._brokers.next()
        self._state = _State.PAUSING
        wait_s = pause_s(self._failures // len(self._brokers))
        self._failures += 1
        _log.warning("amqp_down", purpose=self._purpose, reason=reason, retry_in_s=round(wait_s, 2))
        self._timer = self.io.later(wait_s, self._connect)
        # After a loss the next try may well succeed: callers wait for it. Once every node has
        # failed they are told at once.
        if not lost:
            self._tried += 1
            if self._tried < len(self._brokers):
                return
            self._reason = reason
        for user in tuple(self._users):
            user.down(reason)

    def _drop(self, error: Exception) -> None:
        """After a fault in a callback nothing on the connection can be trusted."""
        if self._state is _State.OPEN:
            self._abort(error)

    def _give_up(self) -> None:
        self._timer = self.io.later(CLOSE_GRACE_S / 6, self._on_gone)
        self._abort(None)

    def _abort(self, error: Exception | None) -> None:
        if self._connection is None:
            return
        # pika offers no public way to end a connection without asking the broker.
        self._connection._terminate_stream(
            error or pika_errors.ConnectionWrongStateError("closing took too long")
        )

    def abandon(self, reason: str) -> None:
        """Break the connection off, since the broker no longer answers on it."""
        if self._state is _State.OPEN:
            self._abort(pika_errors.AMQPError(reason))
