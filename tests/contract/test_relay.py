"""The relay sends each row of its outbox once, in order, however many wait."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event, Thread

import pytest

from schemas.channels import SUBSCRIPTIONS
from services.runtime import outbox
from services.runtime.bus_embedded import EmbeddedBus
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.tables import METADATA, OUTBOX
from tests.messages import clock_read

QUEUE = "assessment"


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    METADATA.create_all(opened.engine, tables=[OUTBOX])
    yield opened
    opened.close()


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[EmbeddedBus]:
    opened = EmbeddedBus(tmp_path / "bus.sqlite")
    opened.declare(SUBSCRIPTIONS)
    yield opened
    opened.close()


def put(store: Store, count: int, service: str = "intake") -> list[str]:
    messages = [clock_read(number) for number in range(count)]
    with store.begin() as connection:
        outbox.put(connection, service, messages)
    return [str(message.id) for message in messages]


def queued(tmp_path: Path) -> list[str]:
    connection = sqlite3.connect(tmp_path / "bus.sqlite")
    rows = connection.execute(
        "SELECT message_id FROM delivery WHERE queue = ? ORDER BY id", [QUEUE]
    )
    found = [message_id for (message_id,) in rows]
    connection.close()
    return found


@pytest.mark.parametrize("count", [1, 2, 8, 9, 64, 65, 501])
def test_pages_of_any_length_go_once_and_in_order(
    store: Store, bus: EmbeddedBus, tmp_path: Path, count: int
) -> None:
    # given: also a row of another service, which is not this relay's
    put(store, 1, "charges")
    wanted = put(store, count)
    relay = Relay("intake", store, bus)

    # when
    while relay.drain_page():
        continue

    # then
    assert queued(tmp_path) == wanted
    assert relay.waiting() == 0
    assert Relay("charges", store, bus).waiting() == 1


def test_what_comes_while_it_rests_follows_though_nobody_wakes_it(
    store: Store, bus: EmbeddedBus, tmp_path: Path, wait_until: Callable[..., object]
) -> None:
    relay, stop, wanted = Relay("intake", store, bus), Event(), []
    thread = Thread(target=relay.run, args=(stop,))
    thread.start()
    try:
        for _ in range(20):  # as another process of the service commits them
            wanted += put(store, 3)
        wait_until(lambda: queued(tmp_path) == wanted, 60, "every row to go, in order")
    finally:
        stop.set()
        relay.wake()
        thread.join()
