"""The sequence of changes: which page's data is another than before, in the order of commits."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Column, Connection, String, Table, delete, func, insert, select

from services.runtime.store import Store
from services.runtime.tables import METADATA, RowId, UtcDateTime

CHANGE = Table(
    "console_change",
    METADATA,
    Column("id", RowId, primary_key=True, autoincrement=True),
    Column("topic", String(200), nullable=False),
    Column("at", UtcDateTime, nullable=False, index=True),
)
"""One row for each topic that changed; old ones go."""


@dataclass(frozen=True, slots=True)
class Change:
    """Something changed. ``topic`` as in ``services.console.changes``."""

    id: int
    topic: str


def add_changes(store: Store, connection: Connection, topics: Iterable[str]) -> None:
    """Write changes at the end of the caller's transaction.

    The lock makes ids rise in the order of commits, so that no reader steps over a late one.
    """
    rows = [{"topic": topic, "at": datetime.now(UTC)} for topic in dict.fromkeys(topics)]
    if rows:
        store.lock(connection, "console-changes")
        connection.execute(insert(CHANGE), rows)


def changes_after(connection: Connection, last: int, limit: int = 1_000) -> Sequence[Change]:
    """Read what came after an id, in order."""
    query = select(CHANGE.c.id, CHANGE.c.topic).where(CHANGE.c.id > last)
    return [Change(*row) for row in connection.execute(query.order_by(CHANGE.c.id).limit(limit))]


def bounds(connection: Connection) -> tuple[int, int]:
    """Give the oldest and the newest id that is kept; zeros where there is none."""
    row = connection.execute(select(func.min(CHANGE.c.id), func.max(CHANGE.c.id))).one()
    return (row[0] or 0, row[1] or 0)


def forget_before(connection: Connection, moment: datetime) -> None:
    """Remove old changes, but never the newest: ids go on from it on SQLite too."""
    newest = select(func.max(CHANGE.c.id)).scalar_subquery()
    connection.execute(delete(CHANGE).where(CHANGE.c.at < moment, CHANGE.c.id < newest))
