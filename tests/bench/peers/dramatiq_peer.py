"""dramatiq: one worker thread, quorum queues. ``fill`` or ``work``."""

from __future__ import annotations

import os
import signal
import sys
from threading import Event
from typing import Any

from tests.bench.peers.effect import Effects
from tests.bench.peers.task import PREFETCH, QUEUE_IN, QUEUE_OUT, Task

os.environ["dramatiq_queue_prefetch"] = str(PREFETCH)  # noqa: SIM112 - its own spelling; read on import

import dramatiq
from dramatiq.brokers.rabbitmq import RabbitmqBroker
from dramatiq.middleware import CurrentMessage


def main(what: str) -> None:
    """Fill the queue, or work until SIGTERM."""
    task = Task.from_environment()
    broker: Any = RabbitmqBroker(url=task.amqp_url, confirm_delivery=task.confirms)
    dead_lettered = broker._build_queue_arguments
    # It has no setting for the type of its queues.
    broker._build_queue_arguments = lambda name: dead_lettered(name) | {"x-queue-type": "quorum"}
    broker.add_middleware(CurrentMessage())
    dramatiq.set_broker(broker)

    def sink(body: str) -> None:
        raise RuntimeError(f"nobody works on {QUEUE_OUT}, but it got {len(body)} characters")

    send_on = dramatiq.actor(sink, broker=broker, queue_name=QUEUE_OUT)

    effects = Effects(task.store_url) if task.keeps and what == "work" else None

    def pass_on(body: str) -> None:
        task.began()
        message = CurrentMessage.get_current_message()
        if effects is not None and message is not None:
            effects.keep(message.message_id, body.encode())
        send_on.send(body)

    passes_on = dramatiq.actor(pass_on, broker=broker, queue_name=QUEUE_IN)
    if what == "fill":
        for _ in range(task.count):
            passes_on.send(task.body)
        broker.close()
        return
    stop = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    worker = dramatiq.Worker(broker, queues={QUEUE_IN}, worker_threads=1)
    worker.start()
    stop.wait()
    worker.stop()
    broker.close()


if __name__ == "__main__":
    main(sys.argv[1])
