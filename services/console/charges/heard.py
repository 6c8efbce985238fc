"""How the worker keeps the newest of each reconciled day."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

from sqlalchemy import Connection, delete, insert, select

from schemas.conclusions import DayReconciled
from schemas.envelope import Message, Payload
from services.console.changes import topic
from services.console.charges.rows import day_rows, exception_rows
from services.console.charges.tables import CHARGE_DAY, CHARGE_EXCEPTION, SUMS
from services.console.tables import month_of
from services.runtime.worker import Work


class MonthSums:
    """What a batch changes of the months' totals, as rows to be added to ``CHARGE_MONTH``."""

    def __init__(self) -> None:
        self._sums: dict[tuple[date, str, str], Counter[str]] = {}

    def exchange(
        self, before: Iterable[Mapping[str, Any]], now: Iterable[Mapping[str, Any]]
    ) -> None:
        """Take a day's old part of the totals away and add the new."""
        for rows, sign in ((before, -1), (now, 1)):
            for row in rows:
                if row["currency"]:
                    key = (month_of(row["day"]), row["site"], row["currency"])
                    sums = self._sums.setdefault(key, Counter())
                    for name in SUMS:
                        sums[name] += sign * row[name]

    def rows(self) -> list[dict[str, Any]]:
        return [
            {"month": month, "site": site, "currency": currency}
            | {name: told[name] for name in SUMS}
            for (month, site, currency), told in sorted(self._sums.items())
            if any(told.values())
        ]


def take_days(work: Work, messages: Sequence[Message[Payload]], months: MonthSums) -> set[str]:
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
        before = _kept(work.connection, site, day)
        if before and told.revision <= before[0]["revision"]:
            continue
        now = day_rows(site, told, message.occurred_at)
        months.exchange(before, now)
        for table in (CHARGE_DAY, CHARGE_EXCEPTION):
            work.connection.execute(delete(table).where(table.c.site == site, table.c.day == day))
        work.connection.execute(insert(CHARGE_DAY), now)
        found = exception_rows(site, told, message.occurred_at)
        if found:
            work.connection.execute(insert(CHARGE_EXCEPTION), found)
        topics |= {topic("bills", site), topic("site", site)}
    return topics


def _kept(connection: Connection, site: str, day: date) -> list[dict[str, Any]]:
    own = CHARGE_DAY.c
    rows = connection.execute(
        select(CHARGE_DAY).where(own.site == site, own.day == day).order_by(own.currency)
    )
    return [dict(row._mapping) for row in rows]
