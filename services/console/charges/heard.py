"""How the worker keeps the newest of each reconciled day."""

from collections.abc import Sequence
from datetime import date

from sqlalchemy import Connection, delete, func, insert, select

from schemas.conclusions import DayReconciled
from schemas.envelope import Message, Payload
from services.console.changes import topic
from services.console.charges.rows import day_rows, exception_rows
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION
from services.runtime.worker import Work


def take_days(work: Work, messages: Sequence[Message[Payload]]) -> set[str]:
    """Write the days that the batch tells, where they are newer; give the topics that changed."""
    newest: dict[tuple[str, date], tuple[Message[Payload], DayReconciled]] = {}
    for message in messages:
        told = message.payload
        if isinstance(told, DayReconciled):
            known = newest.get((message.site, told.day))
            if known is None or known[1].revision < told.revision:
                newest[message.site, told.day] = (message, told)
    topics: set[str] = set()
    for (site, day), (message, told) in sorted(newest.items(), key=lambda item: item[0]):
        work.lock(f"console:charge-day:{site}:{day}")
        if told.revision <= _revision(work.connection, site, day):
            continue
        for table in (CHARGE_DAY, CHARGE_EXCEPTION):
            work.connection.execute(delete(table).where(table.c.site == site, table.c.day == day))
        work.connection.execute(insert(CHARGE_DAY), day_rows(site, told, message.occurred_at))
        found = exception_rows(site, told, message.occurred_at)
        if found:
            work.connection.execute(insert(CHARGE_EXCEPTION), found)
        topics |= {topic("bills", site), topic("site", site)}
    return topics


def _revision(connection: Connection, site: str, day: date) -> int:
    query = select(func.max(CHARGE_DAY.c.revision)).where(
        CHARGE_DAY.c.site == site, CHARGE_DAY.c.day == day
    )
    return int(connection.scalar(query) or 0)
