"""The worker loop: effects once, bad input to triage, trouble only delays. On both stores."""

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from threading import Event, Thread
from typing import Any

import pytest
from sqlalchemy import func, select, text

from schemas.channels import ASSESSMENT, Exchange, Subscription
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from services.runtime import triage
from services.runtime.bus import (
    Bus,
    BusLimits,
    BusUnavailable,
    Delivery,
    Done,
    Handle,
    Outgoing,
    RetryLater,
)
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.tables import INBOX, OUTBOX
from services.runtime.worker import TryAgain, Work, Worker
from tests.messages import clock_read
from tests.servers.polling import wait_until


class RecordingBus(Bus):
    """A bus that keeps what is published; the worker's deliveries come from the test."""

    def __init__(self) -> None:
        self.limits = BusLimits(retry_waits_s=(1.0, 5.0))
        self.published: list[Outgoing] = []
        self.down = False
        self.confirms = True

    def declare(self, subscriptions: Sequence[Subscription]) -> None: ...

    def publish(self, messages: Sequence[Outgoing]) -> None:
        if self.down:
            raise BusUnavailable("down for the test")
        self.published += messages
        if not self.confirms:
            raise BusUnavailable("the confirm was lost on its way, for the test")

    def consume(self, subscription: Subscription, handle: Handle, stop: Event) -> None: ...

    def consuming(self) -> bool:
        return True

    def depth(self, queue: str) -> int:
        return 0

    def close(self) -> None: ...


@dataclass
class Bench:
    """A worker whose handler does what the test says, and counts its effects in the store."""

    store: Store
    bus: RecordingBus
    relay: Relay
    seen: list[str] = field(default_factory=list)
    trouble: Callable[[Message[Payload]], None] = lambda _message: None

    def handler(self, work: Work, messages: Sequence[Message[Payload]]) -> None:
        for message in messages:
            self.trouble(message)
            self.seen.append(str(message.id))
            work.connection.execute(
                text("INSERT INTO effect (message_id) VALUES (:id)"), {"id": str(message.id)}
            )
            work.emit(clock_read(1000 + len(self.seen)))

    def worker(self, committed: Callable[[], None] = lambda: None) -> Worker:
        return Worker("test", ASSESSMENT, self.store, self.bus, self.relay, self.handler, committed)

    def effects(self) -> list[str]:
        with self.store.read() as connection:
            return list(connection.scalars(text("SELECT message_id FROM effect")))

    def count(self, table: Any) -> int:
        with self.store.read() as connection:
            return int(connection.scalar(select(func.count()).select_from(table)) or 0)

    def in_triage(self) -> list[Any]:
        with self.store.read() as connection:
            return list(triage.entries(connection))


@pytest.fixture
def bench(database_url: str) -> Iterator[Bench]:
    store = Store(database_url)
    migrate(store)
    with store.begin() as connection:
        connection.execute(text("CREATE TABLE effect (message_id VARCHAR(36))"))
    bus = RecordingBus()
    yield Bench(store, bus, Relay("test", store, bus))
    store.close()


def _delivery(message: Message[Payload], **more: Any) -> Delivery:
    parts: dict[str, Any] = {"message_id": str(message.id), "body": message.encode(), "attempt": 1}
    return Delivery(**(parts | more))


def test_a_batch_commits_effects_inbox_and_outbox_together(bench: Bench) -> None:
    messages = [clock_read(n) for n in range(3)]

    outcomes = bench.worker().handle([_delivery(one) for one in messages])

    assert outcomes == [Done()] * 3
    assert bench.effects() == [str(one.id) for one in messages]
    assert (bench.count(INBOX), bench.count(OUTBOX)) == (3, 3)


def test_who_waits_for_effects_is_called_when_they_are_committed(bench: Bench) -> None:
    message = clock_read()
    found: list[list[str]] = []

    bench.worker(lambda: found.append(bench.effects())).handle([_delivery(message)])

    assert found == [[str(message.id)]]


def test_a_message_delivered_again_after_a_lost_acknowledgement_has_no_second_effect(
    bench: Bench,
) -> None:
    message = clock_read()
    bench.worker().handle([_delivery(message)])

    outcomes = bench.worker().handle([_delivery(message, redelivered=True)] * 2)

    assert outcomes == [Done()] * 2
    assert bench.effects() == [str(message.id)]
    assert bench.count(OUTBOX) == 1


def test_a_message_twice_in_one_batch_counts_once(bench: Bench) -> None:
    message = clock_read()

    bench.worker().handle([_delivery(message), _delivery(message)])

    assert bench.effects() == [str(message.id)]


def test_one_bad_message_goes_to_triage_and_the_line_goes_on(bench: Bench) -> None:
    good, bad, last = (clock_read(n) for n in range(3))

    def refuse(message: Message[Payload]) -> None:
        if message.id == bad.id:
            raise InvalidInput("payload.device", "generator-1", "a device of this site")

    bench.trouble = refuse
    outcomes = bench.worker().handle([_delivery(one) for one in (good, bad, last)])

    assert outcomes == [Done()] * 3
    assert bench.effects() == [str(good.id), str(last.id)]
    (entry,) = bench.in_triage()
    assert (entry.field, entry.expected) == ("payload.device", "a device of this site")
    assert entry.message_id == str(bad.id)
    assert entry.body == bad.encode()


@pytest.mark.parametrize(
    ("spoil", "field"),
    [
        (lambda body: body[:-20], "message"),
        (lambda body: body.replace(b"clock_read", b"clock_sold"), "kind"),
        (
            lambda body: body.replace(b'"schema_version":1', b'"schema_version":99'),
            "schema_version",
        ),
        (lambda body: body.replace(b"12:00:00Z", b"12:00:00"), "occurred_at"),
    ],
    ids=["malformed", "unknown kind", "newer version", "naive time"],
)
def test_a_message_that_cannot_be_read_is_kept_with_the_field(
    bench: Bench, spoil: Callable[[bytes], bytes], field: str
) -> None:
    spoilt, good = clock_read(), clock_read(1)
    body = spoil(spoilt.encode())
    assert body != spoilt.encode()

    outcomes = bench.worker().handle([_delivery(spoilt, body=body), _delivery(good)])

    assert outcomes == [Done()] * 2
    assert bench.effects() == [str(good.id)]
    (entry,) = bench.in_triage()
    assert entry.field == field
    assert entry.body == body


def test_a_message_that_cannot_be_used_now_comes_again_later(bench: Bench) -> None:
    later, good = clock_read(), clock_read(1)

    def not_now(message: Message[Payload]) -> None:
        if message.id == later.id:
            raise TryAgain("its neighbour is not there yet")

    bench.trouble = not_now
    outcomes = bench.worker().handle([_delivery(later), _delivery(good)])

    assert outcomes == [RetryLater(1.0, "its neighbour is not there yet"), Done()]
    assert bench.effects() == [str(good.id)]

    bench.trouble = lambda _message: None
    assert bench.worker().handle([_delivery(later, attempt=2)]) == [Done()]
    assert bench.effects() == [str(good.id), str(later.id)]


def test_waits_grow_and_a_lasting_fault_ends_in_triage(bench: Bench) -> None:
    message = clock_read()

    def fail(_message: Message[Payload]) -> None:
        raise ZeroDivisionError("a fault of ours")

    bench.trouble = fail
    worker = bench.worker()

    first, second, third = (
        worker.handle([_delivery(message, attempt=attempt)])[0] for attempt in (1, 2, 3)
    )

    assert isinstance(first, RetryLater)
    assert isinstance(second, RetryLater)
    assert (first.wait_s, second.wait_s, third) == (1.0, 5.0, Done())
    (entry,) = bench.in_triage()
    assert (entry.field, entry.attempts) == ("handler", 3)
    assert "ZeroDivisionError" in entry.value


def test_a_message_given_up_by_the_bus_is_tried_once_alone_and_then_kept(bench: Bench) -> None:
    innocent, poison = clock_read(1), clock_read(2)
    reason = "no answer to 5 deliveries"

    bench.worker().handle([_delivery(innocent, dead_reason=reason)])
    bench.worker().handle([_delivery(poison, dead_reason=reason, redelivered=True)])

    assert bench.effects() == [str(innocent.id)]
    (entry,) = bench.in_triage()
    assert (entry.field, entry.message_id) == ("delivery", str(poison.id))
    assert reason in entry.value


@pytest.mark.parametrize(
    "label", ["label" * 51, "la\x00bel", "la\ud800bel"], ids=["too long", "NUL", "half a character"]
)
def test_a_message_is_kept_however_its_sender_has_labelled_it(bench: Bench, label: str) -> None:
    good = clock_read(1)
    spoilt = Delivery(message_id=label, body=b"no JSON", attempt=1)

    outcomes = bench.worker().handle([spoilt, _delivery(good)])

    assert outcomes == [Done()] * 2
    assert bench.effects() == [str(good.id)]
    (entry,) = bench.in_triage()
    assert entry.body == b"no JSON"
    assert entry.message_id.startswith("la")


def test_triage_replays_a_corrected_message_where_it_came_from(bench: Bench) -> None:
    message = clock_read()
    body = message.encode().replace(b'"device":"generator-1"', b'"device":"Generator 1!"')
    bench.worker().handle([_delivery(message, body=body)])
    (entry,) = bench.in_triage()

    with bench.store.begin() as connection, pytest.raises(InvalidInput):
        triage.replay(connection, entry.id)
    with bench.store.begin() as connection:
        triage.replay(connection, entry.id, message.encode())
    assert bench.in_triage() == []
    with pytest.raises(triage.TriageError), bench.store.begin() as connection:
        triage.replay(connection, entry.id, message.encode())

    assert bench.relay.drain_page() == 1
    (published,) = bench.bus.published
    assert (published.exchange, published.body) == (Exchange.FACTS, message.encode())
    bench.worker().handle([_delivery(message, body=published.body)])
    assert bench.effects() == [str(message.id)]


def test_the_outbox_keeps_its_order_and_waits_for_the_bus(bench: Bench) -> None:
    bench.worker().handle([_delivery(clock_read(n)) for n in range(20)])
    bench.bus.down = True
    with pytest.raises(BusUnavailable):
        bench.relay.drain_page()
    assert bench.count(OUTBOX) == 20

    bench.bus.down = False
    stop = Event()
    thread = Thread(target=bench.relay.run, args=(stop,))
    thread.start()
    wait_until(lambda: bench.count(OUTBOX) == 0, 20, "the outbox drains")
    stop.set()
    thread.join()

    seconds = [json.loads(one.body)["payload"]["device_time"] for one in bench.bus.published]
    assert len(seconds) == 20
    assert seconds == sorted(seconds)


def test_a_row_not_confirmed_is_published_again(bench: Bench) -> None:
    bench.worker().handle([_delivery(clock_read())])
    with bench.store.read() as connection:
        body = connection.scalar(select(OUTBOX.c.body))

    bench.bus.confirms = False
    with pytest.raises(BusUnavailable):
        bench.relay.drain_page()
    assert [one.body for one in bench.bus.published] == [body]
    assert bench.count(OUTBOX) == 1

    bench.bus.confirms = True
    assert bench.relay.drain_page() == 1
    assert [one.body for one in bench.bus.published] == [body, body]
    assert bench.count(OUTBOX) == 0
    assert bench.relay.drain_page() == 0


@pytest.mark.parametrize("database_url", ["postgresql"], indirect=True)
def test_a_database_restart_only_delays(
    bench: Bench, postgresql: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("services.runtime.worker._STORE_WAIT_S", (0.2,))
    message = clock_read()
    worker = bench.worker()
    assert worker.handle([_delivery(clock_read(1))]) == [Done()]
    outcomes: list[Any] = []
    thread = Thread(target=lambda: outcomes.extend(worker.handle([_delivery(message)])))
    postgresql.stop()
    try:
        thread.start()
        thread.join(1.0)
        assert thread.is_alive(), "nothing is acknowledged while the database is away"
    finally:
        postgresql.start()  # whatever happens: it serves the other tests too
    thread.join(90)

    assert outcomes == [Done()]
    assert str(message.id) in bench.effects()
