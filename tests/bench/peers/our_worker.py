"""Our own worker with inbox and outbox around the same handler. ``fill`` or ``work``."""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from threading import Event, Thread

from schemas.channels import Exchange, Subscription
from schemas.envelope import Message, Payload, Source
from schemas.facts import ClockRead
from services.runtime.bus import Bus, BusLimits, Outgoing
from services.runtime.bus_choice import open_bus
from services.runtime.migrate import migrate
from services.runtime.outbox import Relay
from services.runtime.store import Store
from services.runtime.worker import Work, Worker
from tests.bench.peers.task import PREFETCH, QUEUE_IN, QUEUE_OUT, Task
from tests.messages import clock_read

INCOMING = Subscription(QUEUE_IN, ((Exchange.FACTS, ClockRead.KIND),))
OUTGOING = Subscription(QUEUE_OUT, ((Exchange.CONCLUSIONS, ClockRead.KIND),))
US = Source(kind="service", name="bench")
PAGE = 500


def main(what: str) -> None:
    """Fill the queue, or work until SIGTERM."""
    task = Task.from_environment()
    bus = open_bus(task.bus_url, BusLimits(prefetch=PREFETCH), "bench")
    try:
        bus.declare([INCOMING, OUTGOING])
        if what == "fill":
            _fill(bus, task.count)
        else:
            _work(bus, task)
    finally:
        bus.close()


def _fill(bus: Bus, count: int) -> None:
    messages = [clock_read(number) for number in range(count)]
    for begin in range(0, count, PAGE):
        page = messages[begin : begin + PAGE]
        bus.publish([Outgoing(Exchange.FACTS, m.routing_key, str(m.id), m.encode()) for m in page])


def _work(bus: Bus, task: Task) -> None:
    stop = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    store = Store(task.store_url)
    migrate(store)
    relay = Relay("bench", store, bus)

    def pass_on(work: Work, messages: Sequence[Message[Payload]]) -> None:
        task.began()
        for message in messages:
            work.emit(message.caused(message.payload, US), Exchange.CONCLUSIONS)

    relaying = Thread(target=relay.run, args=(stop,))
    relaying.start()
    Worker("bench", INCOMING, store, bus, relay, pass_on).run(stop)
    relaying.join()
    store.close()


if __name__ == "__main__":
    main(sys.argv[1])
