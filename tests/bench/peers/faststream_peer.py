"""FastStream: one process, one event loop, quorum queues. ``fill`` or ``work``."""

from __future__ import annotations

import asyncio
import sys
from typing import Annotated, Any

import psycopg
from faststream import AckPolicy, Context, FastStream
from faststream.rabbit import Channel, QueueType, RabbitBroker, RabbitQueue

from tests.bench.peers.effect import INSERT, Effects
from tests.bench.peers.task import ASYNC_CONNECTIONS, PREFETCH, QUEUE_IN, QUEUE_OUT, Task


def main(what: str) -> None:
    """Fill the queue, or work until SIGTERM."""
    task = Task.from_environment()
    channel = Channel(prefetch_count=PREFETCH, publisher_confirms=task.confirms)
    broker: Any = RabbitBroker(task.amqp_url, default_channel=channel, logger=None)
    queues = {
        name: RabbitQueue(name, queue_type=QueueType.QUORUM, durable=True)
        for name in (QUEUE_IN, QUEUE_OUT)
    }

    connections: asyncio.Queue[psycopg.AsyncConnection[Any]] = asyncio.Queue()

    async def connect() -> None:
        Effects(task.store_url).database.close()
        for _ in range(ASYNC_CONNECTIONS):
            connections.put_nowait(await psycopg.AsyncConnection.connect(task.store_url))

    async def pass_on(body: str, message_id: Annotated[str, Context("message.message_id")]) -> None:
        task.began()
        if task.keeps:
            connection = await connections.get()
            await connection.execute(INSERT, (message_id, body.encode()))
            await connection.commit()
            connections.put_nowait(connection)
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
    asyncio.run(FastStream(broker, logger=None, on_startup=[connect] if task.keeps else []).run())


if __name__ == "__main__":
    main(sys.argv[1])
