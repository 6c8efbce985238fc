"""The inbox: a message's id commits with its effect, so a second delivery changes nothing."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from sqlalchemy import Connection, delete, func, select

from services.runtime.tables import INBOX
from services.runtime.upsert import add_new_rows


def take(connection: Connection, service: str, message_ids: Sequence[str]) -> set[str]:
    """Record the ids in this transaction; give those that this service had not handled yet."""
    if not message_ids:
        return set()
    now = datetime.now(UTC)
    rows = [
        {"service": service, "message_id": message_id, "handled_at": now}
        for message_id in dict.fromkeys(message_ids)
    ]
    return {message_id for _service, message_id in add_new_rows(connection, INBOX, rows)}


def handled_since(connection: Connection, moment: datetime) -> dict[str, int]:
    """Count the messages that each service has handled since a moment."""
    query = select(INBOX.c.service, func.count()).where(INBOX.c.handled_at >= moment)
    rows = connection.execute(query.group_by(INBOX.c.service))
    return {str(service): int(number) for service, number in rows}


def prune(connection: Connection, older_than: timedelta) -> int:
    """Forget ids handled longer ago than any bus may still redeliver; tell how many."""
    before = datetime.now(UTC) - older_than
    return connection.execute(delete(INBOX).where(INBOX.c.handled_at < before)).rowcount
