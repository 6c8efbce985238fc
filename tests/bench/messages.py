"""Messages per second through a worker: ours with inbox and outbox, the peers without and with a
row kept for each message."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pika
from pika.adapters.blocking_connection import BlockingChannel
from pika.exceptions import ChannelClosedByBroker

from services.runtime.bus import Bus, BusLimits
from services.runtime.bus_choice import open_bus
from tests.bench.figures import BenchError, Figure, Options, rotated
from tests.bench.peers.task import ASYNC_CONNECTIONS, PREFETCH, QUEUE_IN, QUEUE_OUT, Task
from tests.bench.program import EMBEDDED, GROUP, close_backend, open_backend
from tests.bench.workplace import Child, Workplace, discard, python_module, without_driver
from tests.messages import clock_read

FILL_TIMEOUT_S = 300.0
DRAIN_TIMEOUT_S = 300.0
START_TIMEOUT_S = 120.0
POLL_S = 0.01
NOT_FOUND = 404


@dataclass(frozen=True, slots=True)
class Contender:
    """A worker to measure: the module to run, whether its publishing is confirmed, and whether it
    keeps a row for each message (ours and the naive one always do)."""

    module: str
    confirms: bool
    ours: bool = False
    keeps: bool = False


CONTENDERS = {
    GROUP: Contender("our_worker", confirms=True, ours=True),
    EMBEDDED: Contender("our_worker", confirms=True, ours=True),
    "naive pika + PostgreSQL, one by one, confirms": Contender("naive_peer", confirms=True),
    "Celery, no confirms (default)": Contender("celery_peer", confirms=False),
    "Celery, confirms": Contender("celery_peer", confirms=True),
    "dramatiq, no confirms (default)": Contender("dramatiq_peer", confirms=False),
    "dramatiq, confirms": Contender("dramatiq_peer", confirms=True),
    "FastStream, no confirms": Contender("faststream_peer", confirms=False),
    "FastStream, confirms (default)": Contender("faststream_peer", confirms=True),
}

SAME_JOB = {
    GROUP: CONTENDERS[GROUP],
    "naive pika + PostgreSQL, one by one, confirms": Contender("naive_peer", confirms=True),
    "Celery + PostgreSQL, confirms": Contender("celery_peer", confirms=True, keeps=True),
    "dramatiq + PostgreSQL, confirms": Contender("dramatiq_peer", confirms=True, keeps=True),
    "FastStream + PostgreSQL, confirms": Contender("faststream_peer", confirms=True, keeps=True),
}

_ALIKE = (
    "the same bytes to each and on from each; 1 process, 1 worker thread or event loop, prefetch "
    "100, durable quorum queues, persistent messages"
)
_TIMED = "from the first message in a handler to the last one in the outgoing queue"


def measure(options: Options, place: Workplace) -> Figure:
    """Let each worker drain a queue that was filled before it started."""
    count = options.choose(20_000, 1_000)
    title = f"draining {count:,} messages, the handler sends one on for each"
    figure = Figure("messages", title, rates=True)
    figure.remarks = [
        _ALIKE,
        "ours: the effect, the mark of the message as handled and the message to send commit in "
        "one synced transaction, then go out confirmed; a kill loses and doubles nothing. Each "
        "message is read and validated",
        "naive: nothing lost either, by one transaction and one confirm a message; a message "
        "delivered again is sent on again",
        "Celery, dramatiq, FastStream: NO durability of effect at all: nothing is stored, nothing "
        "recognises a second delivery. Without confirms a message sent on may be lost unseen",
        "Celery acknowledges late (its default is early); FastStream runs up to 100 handlers at "
        "once in its event loop",
        _TIMED,
    ]
    _run(figure, options, place, CONTENDERS, count)
    return figure


def measure_same_job(options: Options, place: Workplace) -> Figure:
    """The same, with every worker keeping a row for each message in a synced transaction."""
    count = options.choose(3_000, 1_000)
    title = f"{count:,} messages: insert a row, sync, send one on, confirmed"
    figure = Figure("same-job", title, rates=True)
    figure.remarks = [
        _ALIKE,
        "each keeps a row for each message in PostgreSQL, its syncs on, by the message's id, so a "
        "second delivery keeps no second row; and sends the message on, confirmed, before it is "
        "acknowledged",
        "the peers one row a transaction, since a library of tasks knows no batch; FastStream on "
        f"{ASYNC_CONNECTIONS} connections at once. None of them has an outbox: "
        "between commit and sending on, a kill sends on twice",
        "ours: a batch's rows, marks and messages to send in one synced transaction; each message "
        "is read and validated, and one delivered again is not sent on again",
        _TIMED,
    ]
    _run(figure, options, place, SAME_JOB, count)
    return figure


def _run(
    figure: Figure,
    options: Options,
    place: Workplace,
    contenders: Mapping[str, Contender],
    count: int,
) -> None:
    body = clock_read().encode().decode()
    for number in range(options.rounds):
        for name in rotated(list(contenders), number):
            rate = _drain(place, name, contenders[name], body, count)
            ours = contenders[name].ours
            figure.note(name, f"{count:,} messages", "messages/s", rate, ours=ours)


def _drain(place: Workplace, name: str, contender: Contender, body: str, count: int) -> float:
    folder = place.subfolder(contender.module.replace("_", "-"))
    backend = open_backend(place, name if contender.ours else GROUP, folder)
    store_url = backend.store_url if contender.ours else without_driver(backend.store_url)
    task = Task(
        amqp_url=backend.vhost or "",
        store_url=store_url,
        bus_url=backend.bus_url,
        confirms=contender.confirms,
        keeps=contender.keeps,
        body=body,
        count=count,
        mark=folder / "first-message",
    )
    queues = _Queues(backend.bus_url)
    try:
        _child("fill", contender, task, folder).finish(FILL_TIMEOUT_S)
        queues.wait_for(QUEUE_IN, count, START_TIMEOUT_S, "the queue to be full", None)
        worker = _child("work", contender, task, folder)
        try:
            queues.wait_for(QUEUE_OUT, count, DRAIN_TIMEOUT_S, f"{name} to drain", worker)
            took_s = time.monotonic() - float(task.mark.read_text())
        finally:
            worker.stop()
        # Whatever was not acknowledged is back in its queue by now. Celery drops some of the
        # acknowledgements in hand when it stops; that is no fault of the measurement.
        left, sent = queues.depth(QUEUE_IN), queues.depth(QUEUE_OUT)
        if sent != count or left > (0 if contender.ours else PREFETCH):
            raise BenchError(
                f"{name}: expected 0 messages left and {count} sent on, got {left} and {sent}"
            )
    finally:
        queues.close()
        close_backend(place, backend)
    discard(folder)
    return count / took_s


def _child(what: str, contender: Contender, task: Task, folder: Path) -> Child:
    module = python_module(f"tests.bench.peers.{contender.module}", what)
    return Child(what, module, task.environment(), folder)


class _Queues:
    """Looks at queue lengths from outside, in the same way for every contender of a bus."""

    def __init__(self, bus_url: str) -> None:
        self._embedded: Bus | None = None
        self._connection: pika.BlockingConnection | None = None
        self._channel: BlockingChannel | None = None
        if bus_url.startswith("amqp"):
            self._connection = pika.BlockingConnection(pika.URLParameters(bus_url))
        else:
            self._embedded = open_bus(bus_url, BusLimits(), "bench-depth")

    def depth(self, queue: str) -> int:
        """Count the messages that are ready; none in a queue that is not declared yet."""
        if self._embedded is not None:
            return self._embedded.depth(queue)
        if self._connection is None:
            raise RuntimeError("the connection is closed")
        if self._channel is None or not self._channel.is_open:
            self._channel = self._connection.channel()
        try:
            asked = self._channel.queue_declare(queue, passive=True)
        except ChannelClosedByBroker as error:
            if error.reply_code != NOT_FOUND:
                raise
            return 0
        return int(asked.method.message_count)

    def wait_for(
        self, queue: str, count: int, timeout_s: float, what: str, worker: Child | None
    ) -> None:
        """Poll every 10 ms until a queue is as long as it should be."""
        deadline = time.monotonic() + timeout_s
        while (depth := self.depth(queue)) < count:
            if worker is not None:
                worker.check()
            if time.monotonic() > deadline:
                said = worker.last_words() if worker is not None else ""
                sentence = f"expected {what} within {timeout_s:.0f} s; {queue} holds {depth}"
                raise BenchError(f"{sentence} of {count}", said)
            time.sleep(POLL_S)

    def close(self) -> None:
        if self._embedded is not None:
            self._embedded.close()
        if self._connection is not None:
            self._connection.close()
