"""Invented facts that an intake is told, and what it kept and sent of them."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import func, select

from schemas.channels import Exchange
from schemas.envelope import Message, Payload, Source, new_id
from schemas.messages import parse, read_payload
from services.intake.accept import Outcome, accept
from services.runtime import triage
from services.runtime.store import Store
from services.runtime.tables import OUTBOX

AT = datetime(2026, 3, 2, 9, 20, tzinfo=UTC)


def fact(payload: type[Payload], site: str = "north", **changes: Any) -> Message[Payload]:
    told = payload.EXAMPLES[0] | changes
    return Message(
        id=new_id(),
        group="invented-group",
        site=site,
        occurred_at=AT,
        received_at=AT,
        source=Source(kind="device", name="station-1"),
        correlation_id="test-1",
        payload=read_payload(payload.KIND, payload.VERSION, json.loads(json.dumps(told))),
    )


def keep(store: Store, *messages: Message[Payload]) -> list[Outcome]:
    with store.begin() as connection:
        return accept(connection, "intake", messages)


def sent(store: Store) -> list[Message[Payload]]:
    with store.read() as connection:
        rows = connection.execute(select(OUTBOX).order_by(OUTBOX.c.id)).all()
    assert {row.exchange for row in rows} <= {Exchange.FACTS.value}
    return [parse(row.body) for row in rows]


def count(store: Store, table: Any) -> int:
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(table)) or 0)


def kept_for_a_person(store: Store) -> list[Any]:
    with store.read() as connection:
        return list(triage.entries(connection))
