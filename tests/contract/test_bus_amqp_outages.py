"""A bus whose broker goes away, comes back, or takes no messages for a while."""

import threading
import time
from collections.abc import Sequence
from dataclasses import replace

import pytest

from services.runtime.bus import (
    BusUnavailable,
    Delivery,
    Done,
    Outcome,
    RetryLater,
)
from services.runtime.bus_amqp import AmqpBus
from services.runtime.bus_amqp_topology import dead_queue
from tests.contract.bus_cases import (
    LIMITS,
    TIMEOUT_S,
    WORK,
    Backend,
    Consuming,
    Feeder,
    Seen,
    io_threads,
    message,
    numbered,
)
from tests.servers.polling import wait_until
from tests.servers.rabbitmq import Broker


def blocked_connections(broker: Broker) -> bool:
    """Ask the broker whether it holds a publisher up."""
    evaluate = getattr(broker, "evaluate", None)
    if evaluate is None:
        pytest.skip("a given broker cannot be asked")
    states = evaluate("[S || [{state, S}] <- rabbit_networking:connection_info_all([state])].")
    return "blocked" in states


@pytest.mark.parametrize("way", [pytest.param("restart", marks=pytest.mark.drill), "kill"])
def test_publishing_and_consuming_go_on_after_the_broker_went_away(
    way: str, rabbitmq: Broker, amqp_bus: Backend
) -> None:
    # given
    bus = amqp_bus.open()
    seen = Seen()
    with Consuming(bus, seen), Feeder(bus) as feeder:
        seen.wait_for(50)

        # when
        getattr(rabbitmq, way)()

        # then
        after = feeder.confirmed
        wait_until(lambda: feeder.confirmed > after + 50, TIMEOUT_S, "publishing to go on")
        wait_until(bus.consuming, TIMEOUT_S, "the consumer to be registered again")
        wait_until(
            lambda: set(map(str, range(feeder.confirmed))) <= set(seen.ids()),
            TIMEOUT_S,
            "every confirmed message",
        )
    wait_until(lambda: bus.depth(WORK.queue) == 0, TIMEOUT_S, "an empty queue")
    assert len(io_threads()) == len(amqp_bus.buses)


def test_a_batch_in_hand_while_the_broker_restarts_comes_again(
    rabbitmq: Broker, amqp_bus: Backend
) -> None:
    # given
    bus = amqp_bus.open()
    bus.publish([message("held")])
    seen = Seen()

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        if not seen.ids():
            rabbitmq.restart()
        return seen(deliveries)

    # when
    with Consuming(bus, handle):
        wait_until(lambda: len(seen.of("held")) == 2, TIMEOUT_S, "the second delivery")

    # then
    assert [d.redelivered for d in seen.of("held")] == [False, True]
    assert bus.depth(WORK.queue) == 0


def test_a_bus_that_starts_before_its_broker_waits_for_it(rabbitmq: Broker, amqp_url: str) -> None:
    # given
    rabbitmq.stop()
    stopped = True
    backend = Backend(amqp_url)
    bus = backend.open()
    seen = Seen()
    try:
        with pytest.raises(BusUnavailable, match=r"cannot be used: .*refused"):
            bus.declare([WORK])
        with pytest.raises(BusUnavailable):
            bus.publish([message("early")])

        # when
        with Consuming(bus, seen):
            assert not bus.consuming()
            rabbitmq.start()
            stopped = False
            wait_until(bus.consuming, TIMEOUT_S, "the consumer to be registered")
            with Feeder(bus):
                seen.wait_for(1)
    finally:
        backend.close()
        if stopped:
            rabbitmq.start()

    # then
    assert seen.ids()[0] == "0"


def test_a_blocked_broker_makes_publishing_fail_in_time_while_consuming_goes_on(
    rabbitmq: Broker, amqp_bus: Backend
) -> None:
    # given
    limits = replace(LIMITS, blocked_timeout_s=2.0, confirm_timeout_s=60.0)
    bus = amqp_bus.open(limits)
    bus.publish(numbered(5))
    seen = Seen()

    # when
    rabbitmq.block()
    try:
        failed: list[str] = []
        started_s = time.monotonic()

        def publish() -> None:
            try:
                bus.publish([message("blocked")])
            except BusUnavailable as error:
                failed.append(str(error))

        publisher = threading.Thread(target=publish)
        publisher.start()
        with Consuming(bus, seen):
            seen.wait_for(5)
        publisher.join(TIMEOUT_S)
        waited_s = time.monotonic() - started_s
        left = bus.depth(WORK.queue)
    finally:
        rabbitmq.unblock()

    # then
    [reason] = failed
    assert "short of memory or disk" in reason
    assert waited_s >= limits.blocked_timeout_s
    assert left == 0
    with Feeder(bus) as feeder:
        wait_until(lambda: feeder.confirmed > 3, TIMEOUT_S, "publishing to go on")


def test_closing_while_the_broker_is_blocked_leaves_no_thread(
    rabbitmq: Broker, amqp_bus: Backend
) -> None:
    # given
    amqp_bus.close()
    bus = AmqpBus(amqp_bus.url, replace(LIMITS, blocked_timeout_s=60.0, confirm_timeout_s=60.0))
    bus.publish([message("before")])
    rabbitmq.block()
    try:
        failed: list[BaseException] = []

        def publish() -> None:
            try:
                bus.publish([message("never confirmed")])
            except BusUnavailable as error:
                failed.append(error)

        publisher = threading.Thread(target=publish)
        publisher.start()
        wait_until(lambda: blocked_connections(rabbitmq), TIMEOUT_S, "the connection to be blocked")

        # when
        bus.close()
        publisher.join(TIMEOUT_S)
    finally:
        rabbitmq.unblock()

    # then
    assert len(failed) == 1
    assert io_threads() == []


def test_a_message_for_later_is_held_while_the_broker_is_blocked(
    rabbitmq: Broker, amqp_bus: Backend
) -> None:
    # given
    bus = amqp_bus.open()
    bus.publish([message("later")])
    seen = Seen()
    unblocked = threading.Event()

    def handle(deliveries: Sequence[Delivery]) -> list[Outcome]:
        if not seen.ids():
            rabbitmq.block()
        seen(deliveries)
        return [RetryLater(0.1, "away") if d.attempt == 1 else Done() for d in deliveries]

    # when
    try:
        with Consuming(bus, handle):
            seen.wait_for(1)
            wait_until(lambda: blocked_connections(rabbitmq), TIMEOUT_S, "a blocked connection")
            rabbitmq.unblock()
            unblocked.set()
            wait_until(lambda: any(d.attempt == 2 for d in seen.deliveries), TIMEOUT_S, "attempt 2")
    finally:
        if not unblocked.is_set():
            rabbitmq.unblock()

    # then
    assert bus.depth(WORK.queue) == 0
    assert bus.depth(dead_queue(WORK.queue)) == 0
