"""What the cases of the bus contract share: a topology, messages, a backend, a running consumer."""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

from schemas.channels import Exchange, Subscription
from services.runtime.bus import (
    Bus,
    BusLimits,
    BusUnavailable,
    Delivery,
    Done,
    Handle,
    Outcome,
    Outgoing,
    Unroutable,
)
from services.runtime.bus_choice import open_bus
from tests.servers.polling import wait_until

TIMEOUT_S = 30.0

WORK = Subscription("work", ((Exchange.FACTS, "thing"),))
OTHER = Subscription("other", ((Exchange.FACTS, "thing"), (Exchange.CONCLUSIONS, "result")))
KEY = "thing.group.site"

LIMITS = BusLimits(
    prefetch=20,
    batch=10,
    delivery_limit=3,
    retry_waits_s=(0.3, 1.0),
    blocked_timeout_s=2.0,
    confirm_timeout_s=20.0,
)


def message(message_id: str, body: bytes = b"{}", key: str = KEY) -> Outgoing:
    """Make a message for WORK."""
    return Outgoing(Exchange.FACTS, key, message_id, body)


def numbered(count: int, prefix: str = "") -> list[Outgoing]:
    """Make messages whose ids are numbers."""
    return [message(f"{prefix}{number}") for number in range(count)]


@dataclass
class Backend:
    """One kind of bus at one address; closes every bus that it opened."""

    url: str
    buses: list[Bus] = field(default_factory=list)

    def open(self, limits: BusLimits = LIMITS, name: str = "bus-test") -> Bus:
        """Open a bus."""
        bus = open_bus(self.url, limits, name)
        self.buses.append(bus)
        return bus

    def close(self) -> None:
        """Close all."""
        for bus in self.buses:
            bus.close()


class Seen:
    """What handlers have got, in order; answers everything with Done."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.deliveries: list[Delivery] = []

    def __call__(self, deliveries: Sequence[Delivery]) -> list[Outcome]:
        """Take a batch."""
        with self._lock:
            self.deliveries.extend(deliveries)
        return [Done()] * len(deliveries)

    def ids(self) -> list[str]:
        """Give the message ids so far."""
        with self._lock:
            return [delivery.message_id for delivery in self.deliveries]

    def of(self, message_id: str) -> list[Delivery]:
        """Give the deliveries of one message."""
        with self._lock:
            return [d for d in self.deliveries if d.message_id == message_id]

    def wait_for(self, count: int, timeout_s: float = TIMEOUT_S) -> None:
        """Wait until so many different messages have come."""
        wait_until(lambda: len(set(self.ids())) >= count, timeout_s, f"{count} messages")


class Consuming:
    """``Bus.consume`` in a thread. Leaving the context stops it and passes on its error."""

    def __init__(self, bus: Bus, handle: Handle, subscription: Subscription = WORK) -> None:
        self.stop = threading.Event()
        self.error: BaseException | None = None
        self._run: Callable[[], None] = lambda: bus.consume(subscription, handle, self.stop)
        self._thread = threading.Thread(target=self._guarded, name="consuming")

    def _guarded(self) -> None:
        try:
            self._run()
        except BaseException as error:  # noqa: BLE001 - passed on by join
            self.error = error

    def join(self) -> None:
        """Wait until it has ended by itself, and pass on its error."""
        self._thread.join(TIMEOUT_S)
        assert not self._thread.is_alive(), "consume did not return"
        if self.error is not None:
            raise self.error

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop.set()
        self.join()


@contextmanager
def child(role: str, url: str, limits: BusLimits = LIMITS) -> Iterator[subprocess.Popen[str]]:
    """Run a process of ``bus_child``; it is killed at the end if it still lives."""
    from tests.contract.bus_child import limits_text

    command = [sys.executable, "-m", "tests.contract.bus_child", role, url, limits_text(limits)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        process.kill()
        process.wait(TIMEOUT_S)
        assert process.stdout is not None
        process.stdout.close()


def lines(process: subprocess.Popen[str]) -> Iterator[str]:
    """Give what a child says, until it ends."""
    assert process.stdout is not None
    for line in process.stdout:
        yield line.strip()


def drain(bus: Bus, count: int) -> Seen:
    """Consume until ``count`` different messages have come."""
    seen = Seen()
    with Consuming(bus, seen):
        seen.wait_for(count)
    return seen


class Feeder:
    """Publishes numbers one after the other, again and again until each is confirmed."""

    def __init__(self, bus: Bus) -> None:
        self.confirmed = 0
        self._bus = bus
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._bus.publish([message(str(self.confirmed))])
            except (BusUnavailable, Unroutable):
                self._stop.wait(0.05)
            else:
                self.confirmed += 1

    def __enter__(self) -> "Feeder":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(TIMEOUT_S)
        assert not self._thread.is_alive()


def io_threads() -> list[str]:
    """Name the I/O threads that live."""
    return [t.name for t in threading.enumerate() if t.name.endswith("-amqp-io")]
