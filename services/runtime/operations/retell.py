"""Tells again what may have been on its way in the broker when a backup was taken.

A backup of PostgreSQL holds no queue of RabbitMQ. What was published and not handled by all of its
hearers at that moment is in neither. So after a restore each service tells again what it keeps:
facts as they were published, under their own ids, which the inbox of whoever had handled them
knows; conclusions as the newest snapshot, which every hearer compares with what it has.
"""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from importlib.metadata import entry_points
from itertools import islice

from sqlalchemy import Connection

from schemas.channels import Exchange
from schemas.envelope import Message, Payload, Source, new_id
from services.runtime import outbox
from services.runtime.store import Store

RETELLERS = "gomphosis.retellers"

Told = tuple[Message[Payload], Exchange | None]
Reteller = Callable[[Connection, str, datetime | None], Iterable[Told]]
"""Gives what a service keeps since a moment (all of it where that is None), for a group's name. It
reads by a statement's own options: those of the connection would hold for our writing too."""

_AT_ONCE = 500


def retell(store: Store, group: str, since: datetime | None) -> dict[str, int]:
    """Put everything that is kept into the outboxes again; give how many messages, by service.

    Safe to repeat, and safe beside running services: what was handled changes nothing.
    """
    told: dict[str, int] = {}
    for point in sorted(entry_points(group=RETELLERS), key=lambda one: one.name):
        reteller: Reteller = point.load()
        with store.begin() as connection:
            told[point.name] = _put(connection, point.name, reteller(connection, group, since))
    return told


def _put(connection: Connection, service: str, messages: Iterable[Told]) -> int:
    count, left = 0, iter(messages)
    while page := list(islice(left, _AT_ONCE)):  # a page in memory at a time
        for exchange in sorted({exchange for _, exchange in page}, key=str):
            own = [message for message, asked in page if asked is exchange]
            count += outbox.put(connection, service, own, exchange)
    return count


def told_again(service: str, group: str, site: str, payload: Payload, about: str) -> Told:
    """Make the message that tells a kept conclusion again; ``about`` names what it is of."""
    now = datetime.now(UTC)
    message: Message[Payload] = Message(
        id=new_id(),
        group=group,
        site=site,
        occurred_at=now,
        received_at=now,
        source=Source(kind="service", name=service),
        correlation_id=f"told-again-{about}"[:128],
        payload=payload,
    )
    return message, None
