"""What every bus does, on each of its backends."""

import threading
from collections.abc import Sequence

import pytest

from schemas.channels import OPEN_KINDS
from schemas.messages import MAX_MESSAGE_BYTES
from services.runtime.bus import (
    BusLimits,
    Delivery,
    MessageTooLarge,
    Outcome,
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
    drain,
    message,
    numbered,
)
from tests.servers.polling import wait_until


def test_one_consumer_gets_messages_in_the_order_of_publishing(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    sent = numbered(300)

    # when
    for start in range(0, 300, 60):
        bus.publish(sent[start : start + 60])
    seen = drain(bus, 300)

    # then
    assert seen.ids() == [m.message_id for m in sent]


def test_a_batch_is_never_larger_than_its_limit(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
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


def test_body_id_and_first_attempt_arrive_as_published(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    body = bytes(range(256)) * 16

    # when
    bus.publish([message("whole", body)])
    seen = drain(bus, 1)

    # then
    assert seen.deliveries == [Delivery(message_id="whole", body=body, attempt=1)]


def test_two_consumers_share_the_work_and_nothing_is_lost_or_left(any_bus: Backend) -> None:
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

    buses = [any_bus.open(), any_bus.open()]

    # when
    with (
        Consuming(buses[0], handler(parts[0])),  # type: ignore[arg-type]
        Consuming(buses[1], handler(parts[1])),  # type: ignore[arg-type]
    ):
        any_bus.open().publish(numbered(400))
        wait_until(
            lambda: len(parts[0].ids()) + len(parts[1].ids()) >= 400, TIMEOUT_S, "400 messages"
        )

    # then
    assert parts[0].ids()
    assert parts[1].ids()
    assert sorted(map(int, parts[0].ids() + parts[1].ids())) == list(range(400))
    assert any_bus.open().depth(WORK.queue) == 0


def test_every_queue_that_hears_a_kind_gets_its_own_copy(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    bus.declare([WORK, OTHER])
    here, there = Seen(), Seen()

    # when
    bus.publish(numbered(20))
    with Consuming(bus, here, WORK), Consuming(any_bus.open(), there, OTHER):
        here.wait_for(20)
        there.wait_for(20)

    # then
    assert here.ids() == there.ids() == [str(n) for n in range(20)]


def test_a_message_of_ten_megabytes_is_refused_with_its_size(any_bus: Backend) -> None:
    bus = any_bus.open()

    with pytest.raises(MessageTooLarge, match=r"10000000 bytes.*at most 1000000") as refusal:
        bus.publish([message("image", bytes(10_000_000))])

    assert refusal.value.size_bytes == 10_000_000
    assert bus.depth(WORK.queue) == 0


def test_the_largest_message_passes_whole(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    bodies = {str(n): bytes([n]) * MAX_MESSAGE_BYTES for n in range(25)}

    # when
    bus.publish([message(message_id, body) for message_id, body in bodies.items()])
    seen = drain(bus, 25)

    # then
    assert {d.message_id: d.body for d in seen.deliveries} == bodies


def test_a_message_that_no_queue_hears_is_unroutable(any_bus: Backend) -> None:
    bus = any_bus.open()

    with pytest.raises(Unroutable, match=r"gomphosis.facts: .*unheard.group.site") as refusal:
        bus.publish([message("lost", key="unheard.group.site")])

    assert refusal.value.routing_key == "unheard.group.site"
    bus.publish([message("found")])
    assert drain(bus, 1).ids() == ["found"]


def test_a_message_of_an_open_kind_that_no_queue_hears_holds_nothing_up(any_bus: Backend) -> None:
    bus = any_bus.open()

    for kind in OPEN_KINDS:
        bus.publish([message("unheard", key=f"{kind}.group.site"), message(f"after-{kind}")])

    assert drain(bus, len(OPEN_KINDS)).ids() == [f"after-{kind}" for kind in OPEN_KINDS]


def test_declaring_twice_keeps_what_is_there(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    bus.publish(numbered(3))

    # when
    bus.declare([WORK, OTHER])
    any_bus.open().declare([WORK])

    # then
    assert drain(bus, 3).ids() == ["0", "1", "2"]


def test_depth_counts_the_messages_that_wait(any_bus: Backend) -> None:
    bus = any_bus.open()

    assert bus.depth(WORK.queue) == 0
    bus.publish(numbered(7))
    assert bus.depth(WORK.queue) == 7
    drain(bus, 7)
    assert bus.depth(WORK.queue) == 0


def test_a_queue_keeps_messages_for_a_consumer_that_never_ran(any_bus: Backend) -> None:
    # given
    early = any_bus.open()
    early.declare([OTHER])
    early.publish(numbered(3))
    early.close()

    # when
    seen = Seen()
    with Consuming(any_bus.open(), seen, OTHER):
        seen.wait_for(3)

    # then
    assert seen.ids() == ["0", "1", "2"]


def test_many_threads_may_publish_at_once_and_each_keeps_its_order(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
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


def test_publishing_nothing_is_no_error(any_bus: Backend) -> None:
    bus = any_bus.open()

    bus.publish([])

    assert bus.depth(WORK.queue) == 0


def test_consuming_is_told_only_while_a_consumer_is_registered(any_bus: Backend) -> None:
    bus = any_bus.open()

    assert not bus.consuming()
    with Consuming(bus, Seen()):
        wait_until(bus.consuming, TIMEOUT_S, "the consumer to be registered")
    assert not bus.consuming()


def test_a_prefetch_of_one_works_through_all(any_bus: Backend) -> None:
    bus = any_bus.open(BusLimits(prefetch=1, batch=1, delivery_limit=3, retry_waits_s=(0.3, 1.0)))
    bus.publish(numbered(20))

    assert drain(bus, 20).ids() == [str(n) for n in range(20)]


def test_a_bus_may_be_closed_twice(any_bus: Backend) -> None:
    bus = any_bus.open()
    bus.publish(numbered(1))

    bus.close()
    bus.close()

    assert drain(any_bus.open(), 1).ids() == ["0"]
