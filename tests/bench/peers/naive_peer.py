"""The same promise written naively: per message insert, commit, publish with confirm, ack."""

from __future__ import annotations

import signal
import sys
import uuid
from threading import Event

import pika
from pika.adapters.blocking_connection import BlockingChannel

from tests.bench.peers.effect import Effects
from tests.bench.peers.task import PREFETCH, QUEUE_IN, QUEUE_OUT, Task

PERSISTENT = 2


def main(what: str) -> None:
    """Fill the queue, or work until SIGTERM."""
    task = Task.from_environment()
    with pika.BlockingConnection(pika.URLParameters(task.amqp_url)) as connection:
        channel = connection.channel()
        for queue in (QUEUE_IN, QUEUE_OUT):
            channel.queue_declare(queue, durable=True, arguments={"x-queue-type": "quorum"})
        if what == "fill":
            _fill(channel, task)
        else:
            _work(channel, task)


def _fill(channel: BlockingChannel, task: Task) -> None:
    for _ in range(task.count):
        own = pika.BasicProperties(delivery_mode=PERSISTENT, message_id=str(uuid.uuid4()))
        channel.basic_publish("", QUEUE_IN, task.body.encode(), own)


def _work(channel: BlockingChannel, task: Task) -> None:
    stop = Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: stop.set())
    channel.confirm_delivery()
    channel.basic_qos(prefetch_count=PREFETCH)
    effects = Effects(task.store_url)
    with effects.database:
        for method, properties, body in channel.consume(QUEUE_IN, inactivity_timeout=0.1):
            if stop.is_set():
                return
            if method is None:
                continue
            task.began()
            effects.keep(properties.message_id, body)
            own = pika.BasicProperties(delivery_mode=PERSISTENT, message_id=str(uuid.uuid4()))
            channel.basic_publish("", QUEUE_OUT, body, own, mandatory=True)
            channel.basic_ack(method.delivery_tag)


if __name__ == "__main__":
    main(sys.argv[1])
