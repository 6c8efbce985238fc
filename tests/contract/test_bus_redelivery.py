"""What every bus does with messages that were not answered, on each of its backends."""

import itertools
import json
import signal
import threading
import time
from collections.abc import Sequence

import pytest

from services.runtime.bus import (
    Delivery,
    Done,
    Outcome,
    RetryLater,
)
from tests.contract.bus_cases import (
    LIMITS,
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


def test_messages_of_a_consumer_killed_in_mid_handler_come_again(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    bus.publish(numbered(30))
    with child("hold", any_bus.url) as process:
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
    any_bus: Backend,
) -> None:
    # given
    with child("publish", any_bus.url) as process:
        safe = list(itertools.islice(lines(process), 100))

        # when
        process.send_signal(signal.SIGKILL)
        process.wait(TIMEOUT_S)
        safe += list(lines(process))

    # then
    seen = Seen()
    with Consuming(any_bus.open(), seen):
        wait_until(lambda: set(safe) <= set(seen.ids()), TIMEOUT_S, "all safe messages")
    assert len(seen.ids()) == len(set(seen.ids()))


def test_a_message_that_kills_its_consumer_each_time_is_given_up_with_a_reason(
    any_bus: Backend,
) -> None:
    # given
    bus = any_bus.open()
    bus.publish([message(POISON)])

    # when
    deaths = 0
    said: list[str] = []
    while not said:
        assert deaths <= LIMITS.delivery_limit, "delivered more often than the limit"
        with child("work", any_bus.url) as process:
            said = list(lines(process))
            code = process.wait(TIMEOUT_S)
        deaths += code == -signal.SIGKILL

    # then
    assert deaths == LIMITS.delivery_limit
    [(message_id, reason)] = map(json.loads, said)
    assert message_id == POISON
    assert str(LIMITS.delivery_limit) in reason
    assert bus.depth(WORK.queue) == 0


def test_a_message_that_kills_its_consumer_takes_no_neighbour_with_it(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    bus.publish([message("before"), message(POISON), *numbered(10, "after-")])

    # when
    said: list[str] = []
    for _ in range(LIMITS.delivery_limit + 1):
        with child("work", any_bus.url) as process:
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
    any_bus: Backend,
) -> None:
    # given
    bus = any_bus.open()
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
    any_bus: Backend,
) -> None:
    # given
    bus = any_bus.open()
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


def test_stopping_finishes_and_answers_the_batch_in_hand(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
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


def test_stopping_after_the_very_first_message_keeps_its_answer(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
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


def test_a_stop_that_was_set_before_takes_nothing(any_bus: Backend) -> None:
    # given
    bus = any_bus.open()
    bus.publish(numbered(3))
    stop = threading.Event()
    stop.set()
    seen = Seen()

    # when
    bus.consume(WORK, seen, stop)

    # then
    assert seen.ids() == []
    assert sorted(drain(bus, 3).ids()) == ["0", "1", "2"]
