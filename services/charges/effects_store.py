"""Read back what decisions did."""

import json
from collections.abc import Iterator
from datetime import date, datetime
from decimal import Decimal

from sqlalchemy import Connection, select

from schemas.facts.record_lines import ExceptionAction
from services.charges.compared import Class
from services.charges.effects import Correction, Effect
from services.charges.exceptions import Decision, InForce
from services.charges.reconcile_tables import EFFECT


def read_effects(
    connection: Connection, site: str, first: date, last: date
) -> list[tuple[Effect, str]]:
    """Give the effects on some days of work, with their currency."""
    bodies = connection.execute(
        select(EFFECT.c.body)
        .where(EFFECT.c.site == site, EFFECT.c.day.between(first, last))
        .order_by(EFFECT.c.decided_at, EFFECT.c.exception_id)
    ).scalars()
    return [_effect(body) for body in bodies]


def effects_since(
    connection: Connection, since: datetime | None
) -> Iterator[tuple[str, Effect, str]]:
    """Give every effect made since a moment, with its site and currency."""
    query = select(EFFECT.c.site, EFFECT.c.body).order_by(EFFECT.c.made_at)
    if since is not None:
        query = query.where(EFFECT.c.made_at >= since)
    return ((row.site, *_effect(row.body)) for row in connection.execute(query))


def _effect(body: str) -> tuple[Effect, str]:
    told = json.loads(body)
    decided_at = datetime.fromisoformat(told["decided_at"])
    decision = Decision(
        told["exception_id"],
        ExceptionAction(told["action"]),
        told["decided_by"],
        frozenset(),
        decided_at,
        told["reason"],
    )
    effect = Effect(
        told["exception_id"],
        Class(told["kind"]),
        date.fromisoformat(told["day"]),
        Decimal(told["at_stake"]),
        Decimal(told["shortfall"]),
        InForce(decision, decided_at, told["countersigned_by"]),
        tuple(told["again"]),
        tuple(
            Correction(
                **one | {"day": date.fromisoformat(one["day"]), "amount": Decimal(one["amount"])}
            )
            for one in told["corrections"]
        ),
        (told["assigned"][0], told["assigned"][1]) if told["assigned"] else None,
    )
    return effect, told["currency"]
