"""FastStream: one process, one event loop, quorum queues. ``fill`` or ``work``."""

from __future__ import annotations

import asyncio
import sys
from typing import Any

from faststream import AckPolicy, FastStream
from faststream.rabbit import Channel, QueueType, RabbitBroker, RabbitQueue

from tests.bench.peers.task import PREFETCH, QUEUE_IN, QUEUE_OUT, Task


def main(what: str) -> None:
    """Fill the queue, or work until SIGTERM."""
    task = Task.from_environment()
    channel = Channel(prefetch_count=PREFETCH, publisher_confirms=task.confirms)
    broker: Any = RabbitBroker(task.amqp_url, default_channel=channel, logger=None)
    queues = {
        name: RabbitQueue(name, queue_type=QueueType.QUORUM, durable=True)
        for name in (QUEUE_IN, QUEUE_OUT)
    }

    async def pass_on(body: str) -> None:
        task.began()
        await broker.publish(body, QUEUE_OUT, persist=True)

    async def fill() -> None:
        await broker.connect()
        for queue in queues.values():
            await broker.declare_queue(queue)
        for _ in range(task.count):
            await broker.publish(task.body, QUEUE_IN, persist=True)
        await broker.stop()

    if what == "fill":
        asyncio.run(fill())
        return
    broker.subscriber(queues[QUEUE_IN], ack_policy=AckPolicy.NACK_ON_ERROR)(pass_on)
    asyncio.run(FastStream(broker, logger=None).run())


if __name__ == "__main__":
    main(sys.argv[1])
