"""Which days have to be reconciled and told anew, and what was told of them last."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime, timedelta
from typing import Final

from sqlalchemy import Connection, bindparam, select, text

from services.charges.reconcile_tables import CORRECTION, DAY_DUE, DAY_TOLD, READING
from services.runtime.tables import UtcDateTime
from services.runtime.upsert import replace_row

SETTLE: Final = timedelta(seconds=20)
"""How long a day's studies and answers may go on changing before it is told anew (invented): a
day is not reconciled for each image. What people decide, and what the record holds, is told at
once."""
_MOST_AT_ONCE: Final = 50
_MARK: Final = text(
    "INSERT INTO charges_day_due (site, day, due_at) VALUES (:site, :day, :due_at) "
    "ON CONFLICT (site, day) DO UPDATE SET due_at = excluded.due_at "
    "WHERE charges_day_due.due_at > excluded.due_at"
).bindparams(bindparam("day", type_=DAY_DUE.c.day.type), bindparam("due_at", type_=UtcDateTime()))


def mark_days(connection: Connection, due: Mapping[tuple[str, date], datetime]) -> None:
    """Have days, each with its site, told anew from a moment on, or before if so marked.

    Always in the same order, so that two workers never wait for each other in a ring.
    """
    rows = [{"site": site, "day": day, "due_at": at} for (site, day), at in sorted(due.items())]
    if rows:
        connection.execute(_MARK, rows)


def due_days(connection: Connection, now: datetime) -> list[tuple[str, date]]:
    """Give some of the days that are due, the newest first."""
    rows = connection.execute(
        select(DAY_DUE.c.site, DAY_DUE.c.day)
        .where(DAY_DUE.c.due_at <= now)
        .order_by(DAY_DUE.c.day.desc(), DAY_DUE.c.site)
        .limit(_MOST_AT_ONCE)
    )
    return [(row.site, row.day) for row in rows]


def take_mark(connection: Connection, site: str, day: date, now: datetime) -> bool:
    """Take a day's mark away, before its books are read; False where another did."""
    taken = connection.execute(
        DAY_DUE.delete().where(
            DAY_DUE.c.site == site, DAY_DUE.c.day == day, DAY_DUE.c.due_at <= now
        )
    )
    return taken.rowcount == 1


def told_before(connection: Connection, site: str, day: date) -> tuple[int, str]:
    """Give revision and digest of what was told last; 0 and nothing of a day never told."""
    row = connection.execute(
        select(DAY_TOLD).where(DAY_TOLD.c.site == site, DAY_TOLD.c.day == day)
    ).one_or_none()
    return (0, "") if row is None else (row.revision, row.content_sha256)


def note_told(connection: Connection, site: str, day: date, revision: int, digest: str) -> None:
    """Keep what is told now."""
    row = {"site": site, "day": day, "revision": revision, "content_sha256": digest}
    replace_row(connection, DAY_TOLD, row)


def was_ever_read(connection: Connection, site: str) -> bool:
    """Tell whether the record's lines of any day of a site were told."""
    query = select(READING.c.site).where(READING.c.site == site).limit(1)
    return connection.scalar(query) is not None


def correction_days(connection: Connection, site: str, keys: Iterable[str]) -> list[date]:
    """Give the days of these corrections."""
    wanted = sorted(keys)
    if not wanted:
        return []
    query = select(CORRECTION.c.day).where(
        CORRECTION.c.site == site, CORRECTION.c.posting_key.in_(wanted)
    )
    return list(connection.execute(query).scalars())
