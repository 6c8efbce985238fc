"""Faults of delivery: messages twice, late, out of order, given back, and poison.

All by AMQP itself, past the lines: a second consumer that takes from a worker's queue and gives
back, and a tap that has heard what was published before.
"""

from __future__ import annotations

import json
import random
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pika
from pika.exceptions import AMQPError

from tests.faults.deployment import KINDS, Deployment
from tests.faults.fault import Begun, CannotBegin, Kind, at_once
from tests.faults.truth import Book, Poison

TAP = "faults.tap"
TAPPED = ("gomphosis.facts", "gomphosis.conclusions")
TAP_LENGTH = 400
MOST = 40
PATIENCE_S = 3.0

Got = tuple[Any, Any, bytes]
"""Method, properties and body, as pika gives them."""


@contextmanager
def _channel(place: Deployment) -> Iterator[Any]:
    """Open a channel past the lines; what was not answered goes back when it closes."""
    try:
        connection = pika.BlockingConnection(pika.URLParameters(place.direct_bus_url))
        try:
            channel = connection.channel()
            channel.confirm_delivery()
            yield channel
        finally:
            if connection.is_open:
                connection.close()
    except (AMQPError, OSError) as error:
        raise CannotBegin(f"the broker: {error!r}") from error


def open_tap(place: Deployment) -> None:
    """Hear what is published from now on; only the newest is kept."""
    with _channel(place) as channel:
        arguments = {"x-max-length": TAP_LENGTH}
        channel.queue_declare(TAP, durable=True, arguments=arguments)
        for exchange in TAPPED:
            channel.queue_bind(TAP, exchange, "#")


def _taken(channel: Any, queue: str, most: int) -> list[Got]:
    """Take messages from a queue before its worker does, for as long as there is patience."""
    taken: list[Got] = []
    until = time.monotonic() + PATIENCE_S
    while len(taken) < most and time.monotonic() < until:
        method, properties, body = channel.basic_get(queue)
        if method is not None:
            taken.append((method, properties, body))
        elif taken and queue == TAP:
            break
    if not taken:
        raise CannotBegin(f"nothing lay in {queue}")
    return taken


def _told_again(place: Deployment, chance: random.Random) -> Begun:
    """Publish again, in any order, what was published before: everybody hears it once more."""
    with _channel(place) as channel:
        taken = _taken(channel, TAP, MOST)
        chance.shuffle(taken)
        for method, properties, body in taken:
            for _ in range(chance.choice((1, 1, 2))):
                channel.basic_publish(method.exchange, method.routing_key, body, properties)
        channel.basic_ack(max(method.delivery_tag for method, _, _ in taken), multiple=True)
    return Begun(f"{len(taken)} old messages, shuffled")


def _given_back(place: Deployment, chance: random.Random) -> Begun:
    """Take messages as a consumer would, and give them back unanswered, newest first."""
    queue = chance.choice(KINDS)
    with _channel(place) as channel:
        taken = _taken(channel, queue, chance.randint(1, MOST))
        for method, _, _ in reversed(taken):
            channel.basic_nack(method.delivery_tag, requeue=True)
    return Begun(f"{len(taken)} messages of {queue}, newest first")


def _overtaken(place: Deployment, chance: random.Random) -> Begun:
    """Put messages that wait to the end of their queue, in any order."""
    queue = chance.choice(KINDS)
    with _channel(place) as channel:
        taken = _taken(channel, queue, MOST)
        shuffled = chance.sample(taken, len(taken))
        for _, properties, body in shuffled:
            channel.basic_publish("", queue, body, properties)
        for method, _, _ in taken:
            channel.basic_ack(method.delivery_tag)
    return Begun(f"{len(taken)} messages of {queue}, shuffled behind the others")


def _poison(place: Deployment, chance: random.Random) -> Begun:
    """Put onto a worker's queue what nobody can use."""
    queue = chance.choice(KINDS)
    mark = f"poison-{uuid.UUID(int=chance.getrandbits(128))}"
    with _channel(place) as channel:
        name, body = chance.choice(_poisons(channel, mark))
        properties = pika.BasicProperties(delivery_mode=2, message_id=mark)
        # Written down first: from its publishing on it may be in triage at any moment.
        book = Book(place.folder)
        book.acknowledged(Poison(mark, f"queue {queue}"))
        book.close()
        channel.basic_publish("", queue, body, properties)
    return Begun(f"{name} on {queue}")


def _poisons(channel: Any, mark: str) -> list[tuple[str, bytes]]:
    made = [
        ("no JSON", f"\x00\xff{mark}".encode("latin-1")),
        ("half a message", f'{{"id": "{mark}", "kind": "exposure_en'.encode()),
        ("a list", json.dumps([mark]).encode()),
        ("deep nesting", f'{{"id": "{mark}", "x": '.encode() + b"[" * 50_000),
    ]
    method, _, body = channel.basic_get(TAP, auto_ack=True)
    if method is not None:
        sound = json.loads(body) | {"id": str(uuid.uuid4()), "correlation_id": mark}
        made += [
            ("an unknown kind", json.dumps(sound | {"kind": "invented_kind"}).encode()),
            ("a newer version", json.dumps(sound | {"schema_version": 9_999}).encode()),
            ("a strange field", json.dumps(sound | {"payload": {"invented": mark}}).encode()),
        ]
    return made


MESSAGE_FAULTS = (
    Kind("old messages told again", "messages", at_once(), _told_again),
    Kind("messages given back unanswered", "messages", at_once(), _given_back),
    Kind("messages overtaken by others", "messages", at_once(), _overtaken),
    Kind("poison on a queue", "poison", at_once(), _poison),
)
