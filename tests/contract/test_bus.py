"""What every bus does, on each of its backends."""

import itertools
import json
import signal
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from schemas.messages import MAX_MESSAGE_BYTES
from services.runtime.bus import (
    BusLimits,
    Delivery,
    Done,
    MessageTooLarge,
    Outcome,
    RetryLater,
    Unroutable,
)
from tests.contract.bus_cases import (
    LIMITS,
    OTHER,
    TIMEOUT_S,
    WORK,
    Backend,
    Consuming,
    Seen,
    child,
    drain,
    lines,
    message,
    numbered,
)
from tests.contract.bus_child import POISON
from tests.servers.polling import wait_until


@pytest.fixture(params=["embedded", pytest.param("amqp", marks=pytest.mark.broker)])
def backend(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Backend]:
    """Each backend in turn, with WORK declared."""
    if request.param == "amqp":
        made = Backend(request.getfixturevalue("amqp_url"))
    else:
        made = Backend(f"embedded:{tmp_path / 'bus.sqlite3'}")
    made.open().declare([WORK])
    yield made
    made.close()


def test_one_consumer_gets_messages_in_the_order_of_publishing(backend: Backend) -> None:
    # given
    bus = backend.open()
    sent = numbered(300)

    # when
    for start in range(0, 300, 60):
        bus.publish(sent[start : start + 60])
    seen = drain(bus, 300)

    # then
    assert seen.ids() == [m.message_id for m in sent]


def test_a_batch_is_never_larger_than_its_limit(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(100))
    sizes: list[int] = []
    seen = Seen()

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        sizes.append(len(deliveries))
        return seen(deliveries)

    # when
    with Consuming(bus, handle):
        seen.wait_for(100)

    # then
    assert max(sizes) <= LIMITS.batch
    assert min(sizes) >= 1


def test_body_id_and_first_attempt_arrive_as_published(backend: Backend) -> None:
    # given
    bus = backend.open()
    body = bytes(range(256)) * 16

    # when
    bus.publish([message("whole", body)])
    seen = drain(bus, 1)

    # then
    assert seen.deliveries == [Delivery(message_id="whole", body=body, attempt=1)]


def test_two_consumers_share_the_work_and_nothing_is_lost_or_left(backend: Backend) -> None:
    # given
    both_have_one = threading.Barrier(2)
    parts = [Seen(), Seen()]

    def handler(seen: Seen) -> object:
        first = [True]

        def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
            if first.pop() if first else False:
                both_have_one.wait(TIMEOUT_S)
            return seen(deliveries)

        return handle

    buses = [backend.open(), backend.open()]

    # when
    with (
        Consuming(buses[0], handler(parts[0])),  # type: ignore[arg-type]
        Consuming(buses[1], handler(parts[1])),  # type: ignore[arg-type]
    ):
        backend.open().publish(numbered(400))
        wait_until(
            lambda: len(parts[0].ids()) + len(parts[1].ids()) >= 400, TIMEOUT_S, "400 messages"
        )

    # then
    assert parts[0].ids()
    assert parts[1].ids()
    assert sorted(map(int, parts[0].ids() + parts[1].ids())) == list(range(400))
    assert backend.open().depth(WORK.queue) == 0


def test_every_queue_that_hears_a_kind_gets_its_own_copy(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.declare([WORK, OTHER])
    here, there = Seen(), Seen()

    # when
    bus.publish(numbered(20))
    with Consuming(bus, here, WORK), Consuming(backend.open(), there, OTHER):
        here.wait_for(20)
        there.wait_for(20)

    # then
    assert here.ids() == there.ids() == [str(n) for n in range(20)]


def test_messages_of_a_consumer_killed_in_mid_handler_come_again(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(30))
    with child("hold", backend.url) as process:
        held = next(lines(process))
        assert bus.depth(WORK.queue) <= 30

        # when
        process.send_signal(signal.SIGKILL)
        process.wait(TIMEOUT_S)
        seen = drain(bus, 30)

    # then
    assert sorted(map(int, seen.ids())) == list(range(30))
    assert [d.redelivered for d in seen.of(held)] == [True]


def test_what_publish_returned_for_is_there_after_the_publisher_was_killed(
    backend: Backend,
) -> None:
    # given
    with child("publish", backend.url) as process:
        safe = list(itertools.islice(lines(process), 100))

        # when
        process.send_signal(signal.SIGKILL)
        process.wait(TIMEOUT_S)
        safe += list(lines(process))

    # then
    seen = Seen()
    with Consuming(backend.open(), seen):
        wait_until(lambda: set(safe) <= set(seen.ids()), TIMEOUT_S, "all safe messages")
    assert len(seen.ids()) == len(set(seen.ids()))


def test_a_message_that_kills_its_consumer_each_time_is_given_up_with_a_reason(
    backend: Backend,
) -> None:
    # given
    bus = backend.open()
    bus.publish([message(POISON)])

    # when
    deaths = 0
    said: list[str] = []
    while not said:
        assert deaths <= LIMITS.delivery_limit, "delivered more often than the limit"
        with child("work", backend.url) as process:
            said = list(lines(process))
            code = process.wait(TIMEOUT_S)
        deaths += code == -signal.SIGKILL

    # then
    assert deaths == LIMITS.delivery_limit
    [(message_id, reason)] = map(json.loads, said)
    assert message_id == POISON
    assert str(LIMITS.delivery_limit) in reason
    assert bus.depth(WORK.queue) == 0


def test_a_message_that_kills_its_consumer_takes_no_neighbour_with_it(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish([message("before"), message(POISON), *numbered(10, "after-")])

    # when
    said: list[str] = []
    for _ in range(LIMITS.delivery_limit + 1):
        with child("work", backend.url) as process:
            said += list(lines(process))
            process.wait(TIMEOUT_S)
    rest = Seen()
    with Consuming(bus, rest):
        wait_until(
            lambda: len({json.loads(line)[0] for line in said} | set(rest.ids())) == 12,
            TIMEOUT_S,
            "all twelve messages",
        )

    # then
    reasons = [json.loads(line) for line in said]
    reasons += [[d.message_id, d.dead_reason] for d in rest.deliveries]
    assert [message_id for message_id, reason in reasons if reason is not None] == [POISON]


def test_a_message_for_later_comes_again_after_its_wait_and_holds_up_nobody(
    backend: Backend,
) -> None:
    # given
    bus = backend.open()
    answered_s: dict[tuple[str, int], float] = {}
    came_s: dict[tuple[str, int], float] = {}
    seen = Seen()
    wanted_s = {"exact": 0.3, "between": 0.5}

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        outcomes: list[Outcome] = []
        for delivery in deliveries:
            came_s[delivery.message_id, delivery.attempt] = time.monotonic()
            wait_s = wanted_s.get(delivery.message_id)
            if wait_s is not None and delivery.attempt < 3:
                outcomes.append(RetryLater(wait_s, "the record is away"))
            else:
                outcomes.append(Done())
            answered_s[delivery.message_id, delivery.attempt] = time.monotonic()
        seen(deliveries)
        return outcomes

    # when
    bus.publish([message("exact"), message("between"), *numbered(50)])
    with Consuming(bus, handle):
        wait_until(lambda: ("between", 3) in came_s, TIMEOUT_S, "the third attempt")
        wait_until(lambda: ("exact", 3) in came_s, TIMEOUT_S, "the third attempt")

    # then
    for message_id, at_least_s in (("exact", 0.3), ("between", 1.0)):
        assert [d.attempt for d in seen.of(message_id)] == [1, 2, 3]
        for attempt in (1, 2):
            waited_s = came_s[message_id, attempt + 1] - answered_s[message_id, attempt]
            assert waited_s >= at_least_s
    order = seen.ids()
    assert len(order) == 56
    assert order[:52] == ["exact", "between", *map(str, range(50))]
    assert bus.depth(WORK.queue) == 0


def test_after_an_error_of_the_handler_the_batch_is_back_and_the_error_passes_on(
    backend: Backend,
) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(8))

    def fail(deliveries: Sequence[Delivery]) -> list[Outcome]:
        raise LookupError(deliveries[0].message_id)

    # when
    with pytest.raises(LookupError, match="0"):
        bus.consume(WORK, fail, threading.Event())
    assert not bus.consuming()
    seen = drain(bus, 8)

    # then
    assert sorted(seen.ids()) == [str(n) for n in range(8)]


def test_stopping_finishes_and_answers_the_batch_in_hand(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(40))
    seen = Seen()
    stop = threading.Event()

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        if len(seen.ids()) > 10:
            stop.set()
        return seen(deliveries)

    # when
    bus.consume(WORK, handle, stop)
    before = seen.ids()
    rest = drain(bus, 40 - len(before))

    # then
    assert len(before) < 40
    assert sorted(map(int, before + rest.ids())) == list(range(40))


def test_stopping_after_the_very_first_message_keeps_its_answer(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(5))
    first = Seen()
    stop = threading.Event()

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        stop.set()
        return first(deliveries)

    # when
    bus.consume(WORK, handle, stop)
    taken = first.ids()
    if len(taken) < 5:
        taken += drain(bus, 5 - len(taken)).ids()

    # then
    assert sorted(taken) == [str(n) for n in range(5)]


def test_a_stop_that_was_set_before_takes_nothing(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(3))
    stop = threading.Event()
    stop.set()
    seen = Seen()

    # when
    bus.consume(WORK, seen, stop)

    # then
    assert seen.ids() == []
    assert sorted(drain(bus, 3).ids()) == ["0", "1", "2"]


def test_a_message_of_ten_megabytes_is_refused_with_its_size(backend: Backend) -> None:
    bus = backend.open()

    with pytest.raises(MessageTooLarge, match=r"10000000 bytes.*at most 1000000") as refusal:
        bus.publish([message("image", bytes(10_000_000))])

    assert refusal.value.size_bytes == 10_000_000
    assert bus.depth(WORK.queue) == 0


def test_the_largest_message_passes_whole(backend: Backend) -> None:
    # given
    bus = backend.open()
    bodies = {str(n): bytes([n]) * MAX_MESSAGE_BYTES for n in range(25)}

    # when
    bus.publish([message(message_id, body) for message_id, body in bodies.items()])
    seen = drain(bus, 25)

    # then
    assert {d.message_id: d.body for d in seen.deliveries} == bodies


def test_a_message_that_no_queue_hears_is_unroutable(backend: Backend) -> None:
    bus = backend.open()

    with pytest.raises(Unroutable, match=r"gomphosis.facts: .*unheard.group.site") as refusal:
        bus.publish([message("lost", key="unheard.group.site")])

    assert refusal.value.routing_key == "unheard.group.site"
    bus.publish([message("found")])
    assert drain(bus, 1).ids() == ["found"]


def test_declaring_twice_keeps_what_is_there(backend: Backend) -> None:
    # given
    bus = backend.open()
    bus.publish(numbered(3))

    # when
    bus.declare([WORK, OTHER])
    backend.open().declare([WORK])

    # then
    assert drain(bus, 3).ids() == ["0", "1", "2"]


def test_depth_counts_the_messages_that_wait(backend: Backend) -> None:
    bus = backend.open()

    assert bus.depth(WORK.queue) == 0
    bus.publish(numbered(7))
    assert bus.depth(WORK.queue) == 7
    drain(bus, 7)
    assert bus.depth(WORK.queue) == 0


def test_a_queue_keeps_messages_for_a_consumer_that_never_ran(backend: Backend) -> None:
    # given
    early = backend.open()
    early.declare([OTHER])
    early.publish(numbered(3))
    early.close()

    # when
    seen = Seen()
    with Consuming(backend.open(), seen, OTHER):
        seen.wait_for(3)

    # then
    assert seen.ids() == ["0", "1", "2"]


def test_many_threads_may_publish_at_once_and_each_keeps_its_order(backend: Backend) -> None:
    # given
    bus = backend.open()
    errors: list[BaseException] = []

    def publish(prefix: str) -> None:
        try:
            sent = numbered(60, prefix)
            for start in range(0, 60, 6):
                bus.publish(sent[start : start + 6])
        except BaseException as error:  # noqa: BLE001 - looked at below
            errors.append(error)

    threads = [threading.Thread(target=publish, args=(f"{name}-",)) for name in "abcd"]

    # when
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(TIMEOUT_S)
    seen = drain(bus, 240)

    # then
    assert errors == []
    for name in "abcd":
        mine = [i for i in seen.ids() if i.startswith(name)]
        assert mine == [f"{name}-{n}" for n in range(60)]


def test_publishing_nothing_is_no_error(backend: Backend) -> None:
    bus = backend.open()

    bus.publish([])

    assert bus.depth(WORK.queue) == 0


def test_consuming_is_told_only_while_a_consumer_is_registered(backend: Backend) -> None:
    bus = backend.open()

    assert not bus.consuming()
    with Consuming(bus, Seen()):
        wait_until(bus.consuming, TIMEOUT_S, "the consumer to be registered")
    assert not bus.consuming()


def test_a_prefetch_of_one_works_through_all(backend: Backend) -> None:
    bus = backend.open(BusLimits(prefetch=1, batch=1, delivery_limit=3, retry_waits_s=(0.3, 1.0)))
    bus.publish(numbered(20))

    assert drain(bus, 20).ids() == [str(n) for n in range(20)]


def test_a_bus_may_be_closed_twice(backend: Backend) -> None:
    bus = backend.open()
    bus.publish(numbered(1))

    bus.close()
    bus.close()

    assert drain(backend.open(), 1).ids() == ["0"]
