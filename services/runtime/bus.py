"""The bus contract: what a worker may rely on, whichever backend carries the messages.

Two backends keep it: ``bus_amqp`` (RabbitMQ) and ``bus_embedded`` (SQLite, one machine). Both
pass the same suite, ``tests/contract/test_bus.py``.

What holds on both:

- ``publish`` returns once every message is durable, or raises; after a raise none, some or all
  may have been taken, so the caller publishes again and consumers drop the doubles by id.
- A message is delivered until its handler has returned ``Done`` for it, whatever is killed.
- Messages reach one consumer in the order in which they were published, except after a return:
  what went back (a stop, an error, a kill) may come behind its neighbours. A message that is
  retried later goes behind; those after it do not wait. So no effect may rest on order alone.
- A message that was delivered ``delivery_limit`` times without an answer (its consumer died each
  time) comes again with ``dead_reason`` set, in a batch of its own; ``redelivered`` tells whether
  that too was without an answer before.
"""

from abc import ABC, abstractmethod
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from threading import Event

from schemas.channels import OPEN_KINDS, Exchange, Subscription
from schemas.errors import GomphosisError
from schemas.messages import MAX_MESSAGE_BYTES


class BusError(GomphosisError):
    """Root of the errors of the bus."""


class BusUnavailable(BusError):  # noqa: N818 - a state, not a fault of the caller
    """The bus cannot be reached or refuses to take messages now. Try again later."""


class MessageTooLarge(BusError):  # noqa: N818
    """A message is larger than the bus takes. Images stay on disk; send their facts."""

    def __init__(self, size_bytes: int) -> None:
        self.size_bytes = size_bytes
        super().__init__(
            f"message of {size_bytes} bytes: expected at most {MAX_MESSAGE_BYTES} bytes"
        )


class Unroutable(BusError):  # noqa: N818
    """No queue hears this routing key: the topology was not declared, or the kind is new."""

    def __init__(self, exchange: str, routing_key: str) -> None:
        self.exchange = exchange
        self.routing_key = routing_key
        super().__init__(f"{exchange}: expected a queue bound for {routing_key}, found none")


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A message on its way to an exchange."""

    exchange: Exchange
    routing_key: str
    message_id: str
    body: bytes

    def __post_init__(self) -> None:
        if len(self.body) > MAX_MESSAGE_BYTES:
            raise MessageTooLarge(len(self.body))

    @property
    def must_be_heard(self) -> bool:
        """Whether it is a fault when no queue is bound for it."""
        return kind_of(self.routing_key) not in OPEN_KINDS


def kind_of(routing_key: str) -> str:
    """Give the kind that a routing key begins with."""
    return routing_key.split(".", 1)[0]


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message that reached a queue.

    ``attempt`` counts from 1 and rises with every ``RetryLater``. ``dead_reason`` is set on a
    message that the bus has given up delivering.
    """

    message_id: str
    body: bytes
    attempt: int
    redelivered: bool = False
    dead_reason: str | None = None


@dataclass(frozen=True, slots=True)
class Done:
    """The handler's effect is durable: the message may go."""


@dataclass(frozen=True, slots=True)
class RetryLater:
    """The handler could not do its work now; the message comes again after ``wait_s``."""

    wait_s: float
    reason: str


Outcome = Done | RetryLater
Handle = Callable[[Sequence[Delivery]], Sequence[Outcome]]


@dataclass(frozen=True, slots=True)
class BusLimits:
    """Bounds that both backends keep.

    ``retry_waits_s`` are the waits that ``RetryLater`` may ask for; a wait in between is rounded
    up to the next of them (RabbitMQ needs a queue for each).
    """

    prefetch: int = 400
    batch: int = 200
    delivery_limit: int = 5
    retry_waits_s: tuple[float, ...] = field(default=(1.0, 5.0, 30.0, 120.0, 600.0))
    blocked_timeout_s: float = 30.0
    confirm_timeout_s: float = 30.0

    def wait_for(self, wanted_s: float) -> float:
        """Round a wait up to the next that there is, or take the longest."""
        waits = sorted(self.retry_waits_s)
        return next((wait for wait in waits if wait >= wanted_s), waits[-1])


class Bus(ABC):
    """A durable message bus. Methods may be called from any thread."""

    limits: BusLimits

    @abstractmethod
    def declare(self, subscriptions: Sequence[Subscription]) -> None:
        """Make sure that exchanges, queues and bindings exist. Safe to repeat.

        Raises BusUnavailable.
        """

    @abstractmethod
    def publish(self, messages: Sequence[Outgoing]) -> None:
        """Publish all, in order, and return once all are durable.

        Raises BusUnavailable (down, blocked beyond ``blocked_timeout_s``, or unconfirmed beyond
        ``confirm_timeout_s``) or Unroutable.
        """

    @abstractmethod
    def consume(self, subscription: Subscription, handle: Handle, stop: Event) -> None:
        """Deliver batches to ``handle`` until ``stop`` is set; reconnect as often as it takes.

        ``handle`` gets at most ``limits.batch`` messages, those that are ready now, and answers
        with one outcome each. It runs in the calling thread and may take longer than any
        heartbeat. After ``stop`` the batch in hand is finished and answered before the return.
        If ``handle`` raises, the batch goes back undelivered and the error passes on.
        """

    @abstractmethod
    def consuming(self) -> bool:
        """Tell whether a consumer is registered now: this is readiness, not 'connected'."""

    @abstractmethod
    def depth(self, queue: str) -> int:
        """Count the messages that are ready in a queue, not those in hand or waiting for a retry.

        Raises BusUnavailable, also where the queue is not declared.
        """

    @abstractmethod
    def close(self) -> None:
        """Let go of every connection. Safe to repeat."""
