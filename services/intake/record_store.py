"""What was read from patient records: how far, and which messages."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Connection,
    Index,
    PrimaryKeyConstraint,
    String,
    Table,
    delete,
    select,
)

from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import replace_row

KEPT_FOR = timedelta(days=30)
LONGEST_CONTROL_ID = 200
"""MSH-10 is of length 20 in v2.5.1 and 199 in later versions (from memory)."""

CURSOR = Table(
    "intake_cursor",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("device", String(64), nullable=False),
    Column("resource_type", String(64), nullable=False),
    Column("since", UtcDateTime, nullable=False),
    Column("seen", JSON, nullable=False),
    PrimaryKeyConstraint("site", "device", "resource_type"),
)
"""How far a record's resources of one type were read, by the record's own clock. ``seen`` are
the versions from ``since`` on that were read already."""

RECORD_MESSAGE = Table(
    "intake_record_message",
    METADATA,
    Column("site", String(64), nullable=False),
    Column("device", String(64), nullable=False),
    Column("control_id", String(LONGEST_CONTROL_ID), nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("taken", Boolean, nullable=False),
    Column("told_at", UtcDateTime, nullable=False),
    PrimaryKeyConstraint("site", "device", "control_id", "sha256"),
    Index("ix_intake_record_message_told_at", "told_at"),
)
"""HL7 v2 messages by sender, MSH-10 and content; ``taken`` is false where it was refused and
kept for triage. A sender that begins its numbers anew sends other content, so both count."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """Where reading goes on, and what was read at or after that moment."""

    since: datetime
    seen: frozenset[str] = field(default_factory=frozenset)


def cursor(connection: Connection, site: str, device: str, resource_type: str) -> Cursor | None:
    """Give the cursor of one type of resource, if it was read before."""
    row = connection.execute(
        select(CURSOR.c.since, CURSOR.c.seen).where(
            CURSOR.c.site == site,
            CURSOR.c.device == device,
            CURSOR.c.resource_type == resource_type,
        )
    ).one_or_none()
    return None if row is None else Cursor(row.since, frozenset(row.seen))


def move_cursor(
    connection: Connection, site: str, device: str, resource_type: str, to: Cursor
) -> None:
    """Write down how far was read."""
    key = {"site": site, "device": device, "resource_type": resource_type}
    replace_row(connection, CURSOR, {**key, "since": to.since, "seen": sorted(to.seen)})


def was_taken(
    connection: Connection, site: str, device: str, control_id: str, sha256: str
) -> bool | None:
    """Tell whether this very message was taken (True), refused (False) or never seen (None)."""
    return connection.scalar(
        select(RECORD_MESSAGE.c.taken).where(
            RECORD_MESSAGE.c.site == site,
            RECORD_MESSAGE.c.device == device,
            RECORD_MESSAGE.c.control_id == control_id,
            RECORD_MESSAGE.c.sha256 == sha256,
        )
    )


def remember_message(
    connection: Connection,
    site: str,
    device: str,
    control_id: str,
    sha256: str,
    told_at: datetime,
    *,
    taken: bool,
) -> None:
    """Write down a message and whether it was taken."""
    key = {"site": site, "device": device, "control_id": control_id, "sha256": sha256}
    replace_row(connection, RECORD_MESSAGE, {**key, "taken": taken, "told_at": told_at})


def forget_messages(connection: Connection, now: datetime, kept_for: timedelta) -> None:
    """Remove messages older than ``kept_for``. Their facts stay, and are known by their keys."""
    connection.execute(delete(RECORD_MESSAGE).where(RECORD_MESSAGE.c.told_at < now - kept_for))
