"""From a conclusion on the bus to the row of a page, by two workers at once, over each backend."""

import random
from threading import Event, Thread

from sqlalchemy import func, select

from schemas.channels import CONSOLE, EXCHANGE_OF
from services.console.worker import ConsoleHandler
from services.runtime.bus import BusLimits, Outgoing
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.tables import INBOX, TRIAGE
from services.runtime.worker import Worker
from tests.assessed import GROUP
from tests.console_told import a_day, charges, empty, hear, note, rows_of, study, told
from tests.contract.bus_cases import Backend
from tests.servers.polling import wait_until

LIMITS = BusLimits(prefetch=6, batch=3)


def test_two_workers_at_once_make_the_tables_that_one_makes_in_order(
    any_bus: Backend, store: Store
) -> None:
    uids = [f"2.25.{number}" for number in range(6)]
    messages = a_day()
    for revision in (1, 2, 3):
        messages += [told(study(revision, uid, closed=True)) for uid in uids]
        messages += [told(charges(revision, uid)) for uid in uids]
        messages += [told(note(revision, uid)) for uid in uids]
    hear(store, messages)
    expected = rows_of(store)
    empty(store)
    random.Random(4).shuffle(messages)
    bus = any_bus.open(LIMITS)
    bus.declare([CONSOLE])

    stop = Event()
    threads = []
    for _ in range(2):
        own = any_bus.open(LIMITS)
        handler = ConsoleHandler(GROUP)
        worker = Worker("console", CONSOLE, store, own, Relay("console", store, own), handler)
        threads.append(Thread(target=worker.run, args=(stop,)))
        threads[-1].start()
    bus.publish(
        [
            Outgoing(EXCHANGE_OF[one.kind], one.routing_key, str(one.id), one.encode())
            for one in [*messages, *messages[::4]]
        ]
    )

    wait_until(lambda: _handled(store) == len(messages), 60, "all are handled")
    stop.set()
    for thread in threads:
        thread.join()
    with store.read() as connection:
        assert connection.scalar(select(func.count()).select_from(TRIAGE)) == 0
    assert rows_of(store) == expected


def _handled(store: Store) -> int:
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(INBOX)) or 0)
