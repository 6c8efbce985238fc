"""Messages handled by hand as the runtime's worker does, and what went out with them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar

from sqlalchemy import select

from schemas.envelope import Message, Payload
from schemas.messages import parse
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from services.runtime.worker import Handler, Work

Kind = TypeVar("Kind", bound=Payload)


def handle(
    store: Store, handler: Handler, service: str, messages: Sequence[Message[Payload]]
) -> None:
    """Handle a batch in one transaction, what it tells out with it."""
    with store.begin() as connection:
        work = Work(connection, store)
        handler(work, messages)
        work.flush(service)


def sent(store: Store) -> list[Message[Payload]]:
    """Give all that went out, in order."""
    with store.read() as connection:
        bodies = connection.execute(select(OUTBOX.c.body).order_by(OUTBOX.c.id)).scalars().all()
    return [parse(body) for body in bodies]


def sent_of(store: Store, kind: type[Kind]) -> list[Kind]:
    """Give what went out of one kind, in order."""
    payloads = [message.payload for message in sent(store)]
    return [one for one in payloads if isinstance(one, kind)]
