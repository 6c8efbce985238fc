"""Intake's facts, told again after a restore: as they were published, under their own ids."""

from collections.abc import Iterator
from datetime import datetime

from sqlalchemy import Connection, select

from schemas.messages import parse
from services.intake.store import FACT
from services.runtime.operations.retell import Told

_PAGE = 500


def facts_again(connection: Connection, group: str, since: datetime | None) -> Iterator[Told]:
    """Give the facts received since a moment, in the order in which they came."""
    del group  # a fact bears its own
    query = select(FACT.c.body).order_by(FACT.c.received_at, FACT.c.id)
    if since is not None:
        query = query.where(FACT.c.received_at >= since)
    bodies = connection.execute(query.execution_options(yield_per=_PAGE)).scalars()
    return ((parse(bytes(body)), None) for body in bodies)
