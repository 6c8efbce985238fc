"""Celery: solo pool, quorum queues, late acknowledgement. ``fill`` or ``work``."""

from __future__ import annotations

import sys
from typing import Any

from celery import Celery
from celery.app.amqp import Queue  # kombu's

from tests.bench.peers.effect import Effects
from tests.bench.peers.task import PREFETCH, QUEUE_IN, QUEUE_OUT, Task

PASS_ON, SINK = "bench.pass_on", "bench.sink"


def main(what: str) -> None:
    """Fill the queue, or work until SIGTERM."""
    task = Task.from_environment()
    quorum = {"x-queue-type": "quorum"}
    app = Celery("bench", broker=task.amqp_url, set_as_current=True)
    app.conf.update(
        broker_connection_retry_on_startup=True,
        broker_transport_options={"confirm_publish": task.confirms},
        task_acks_late=True,  # as the others: a killed worker loses nothing
        task_default_queue=QUEUE_IN,
        task_ignore_result=True,
        task_queues=[Queue(name, queue_arguments=quorum) for name in (QUEUE_IN, QUEUE_OUT)],
        worker_prefetch_multiplier=PREFETCH,
    )

    effects = Effects(task.store_url) if task.keeps and what == "work" else None

    def pass_on(own: Any, body: str) -> None:
        task.began()
        if effects is not None:
            effects.keep(own.request.id, body.encode())
        app.send_task(SINK, args=[body], queue=QUEUE_OUT)

    app.task(name=PASS_ON, bind=True)(pass_on)
    if what == "fill":
        with app.producer_pool.acquire(block=True) as producer:
            for _ in range(task.count):
                app.send_task(PASS_ON, args=[task.body], queue=QUEUE_IN, producer=producer)
        return
    without = ["--without-gossip", "--without-mingle", "--without-heartbeat"]
    one = ["--pool=solo", "--concurrency=1", f"--queues={QUEUE_IN}", "--loglevel=WARNING"]
    app.worker_main(["worker", *one, *without])


if __name__ == "__main__":
    main(sys.argv[1])
