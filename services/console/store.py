"""How the worker reads and writes the read model. Pages read by ``views_*``."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, delete, func, insert, select

from services.console import tables
from services.runtime.upsert import add_row, add_rows, replace_row, replace_rows

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class KeptStudy:
    """What is kept of one study: its rows, as far as they are there. ``study`` is without its
    snapshot, which nobody needs to bring it up to date."""

    study: Row | None = None
    note: Row | None = None
    bill: Row | None = None


_STUDY_COLUMNS = [column for column in tables.STUDY.c if column.name not in {"snapshot", "held"}]


def read_study(connection: Connection, site: str, study: str) -> KeptStudy:
    """Read what is kept of a study."""
    found = connection.execute(
        select(*_STUDY_COLUMNS).where(
            tables.STUDY.c.site == site, tables.STUDY.c.study_instance_uid == study
        )
    ).one_or_none()
    return KeptStudy(
        dict(found._mapping) if found is not None else None,
        _row(connection, tables.NOTE, site, study),
        _row(connection, tables.BILL, site, study),
    )


def _row(connection: Connection, table: Table, site: str, study: str) -> Row | None:
    found = connection.execute(
        select(table).where(table.c.site == site, table.c.study_instance_uid == study)
    ).one_or_none()
    return dict(found._mapping) if found is not None else None


def write_changed(
    connection: Connection, table: Table, before: Mapping[str, Any] | None, now: Row | None
) -> bool:
    """Write a row where it is another; tell whether it was."""
    if now is None or now == before:
        return False
    replace_row(connection, table, now)
    return True


REVISIONS_KEPT = 12
"""Of one note, to be compared; the number is invented."""


def write_revisions(connection: Connection, rows: Sequence[Row]) -> None:
    """Write revisions of one note, and forget all but its newest."""
    if not rows:
        return
    add_rows(connection, tables.NOTE_REVISION, rows)
    own = tables.NOTE_REVISION.c
    of_note = (
        own.site == rows[0]["site"],
        own.study_instance_uid == rows[0]["study_instance_uid"],
    )
    newest = connection.scalar(select(func.max(own.revision)).where(*of_note))
    connection.execute(
        delete(tables.NOTE_REVISION).where(*of_note, own.revision <= newest - REVISIONS_KEPT)
    )


def write_questions(connection: Connection, site: str, study: str, rows: Iterable[Row]) -> None:
    """Write a study's open questions in place of those it had."""
    connection.execute(
        delete(tables.QUESTION).where(
            tables.QUESTION.c.site == site, tables.QUESTION.c.study_instance_uid == study
        )
    )
    given = list(rows)
    if given:
        connection.execute(insert(tables.QUESTION), given)


def read_unmapped(connection: Connection, site: str, study: str) -> dict[str, Row]:
    """Read a study's postings that waited for a code, by their key."""
    own = tables.UNMAPPED.c
    rows = connection.execute(
        select(tables.UNMAPPED).where(own.site == site, own.study_instance_uid == study)
    )
    return {row.posting_key: dict(row._mapping) for row in rows}


def write_unmapped(
    connection: Connection, before: Mapping[str, Row], now: Mapping[str, Row]
) -> bool:
    """Write those that are other than before; tell whether any was."""
    changed = [row for key, row in sorted(now.items()) if before.get(key) != row]
    replace_rows(connection, tables.UNMAPPED, changed)
    return bool(changed)


def room_day_revision(connection: Connection, row: Row) -> int:
    """Give the revision that is kept of a room-day; 0 of none."""
    own = tables.ROOM_DAY.c
    query = select(own.revision).where(
        own.site == row["site"], own.room == row["room"], own.day == row["day"]
    )
    return int(connection.scalar(query) or 0)


def write_room_day(connection: Connection, row: Row) -> None:
    """Write a room-day in place of what was kept of it."""
    replace_row(connection, tables.ROOM_DAY, row)


def add_arrival(connection: Connection, row: Row) -> bool:
    """Keep what just came; tell whether it was new."""
    return add_row(connection, tables.ARRIVAL, row)


def add_correction(connection: Connection, row: Row) -> bool:
    """Keep a decision about an exception; tell whether it was new."""
    return add_row(connection, tables.CORRECTION, row)


@dataclass(slots=True)
class Contact:
    """When a device of a site was heard last, and what its clock said when last read."""

    last_contact_at: datetime | None = None
    clock: tuple[datetime, float] | None = None

    def heard(self, at: datetime) -> None:
        self.last_contact_at = max(self.last_contact_at or at, at)

    def read(self, at: datetime, ahead_s: float) -> None:
        self.clock = max(self.clock or (at, ahead_s), (at, ahead_s))


def write_contacts(connection: Connection, site: str, told: Mapping[str, Contact]) -> None:
    """Write the newest contact of each device, what is kept included.

    The caller holds the lock on the site's devices.
    """
    own = tables.DEVICE.c
    kept = connection.execute(
        select(tables.DEVICE).where(own.site == site, own.device.in_(sorted(told)))
    ).all()
    for row in kept:
        contact = told[row.device]
        if row.last_contact_at is not None:
            contact.heard(row.last_contact_at)
        if row.clock_read_at is not None:
            contact.read(row.clock_read_at, row.clock_ahead_s)
    rows = [
        {
            "site": site,
            "device": device,
            "last_contact_at": contact.last_contact_at,
            "clock_read_at": contact.clock[0] if contact.clock else None,
            "clock_ahead_s": contact.clock[1] if contact.clock else None,
        }
        for device, contact in sorted(told.items())
    ]
    replace_rows(connection, tables.DEVICE, rows)
