"""How the worker reads and writes the read model. Pages read by ``views_*``."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import Connection, Insert, bindparam, delete, func, insert, select
from sqlalchemy.dialects import postgresql, sqlite

from services.console import tables
from services.runtime.by_keys import Key, rows_of, rows_of_studies
from services.runtime.upsert import add_new_rows, add_row, add_rows, replace_rows

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class KeptStudy:
    """What is kept of one study: its rows, as far as they are there. ``study`` is without its
    snapshot, which nobody needs to bring it up to date. ``unmapped``: its postings that waited for
    a code, by their key."""

    study: Row | None = None
    note: Row | None = None
    bill: Row | None = None
    unmapped: dict[str, Row] = field(default_factory=dict)


_STUDY_COLUMNS = [column for column in tables.STUDY.c if column.name not in {"snapshot", "held"}]


def read_studies(connection: Connection, studies: Collection[Key]) -> dict[Key, KeptStudy]:
    """Read what is kept of studies; of an unknown one nothing."""
    kept = {key: KeptStudy() for key in studies}
    for row in rows_of_studies(connection, _STUDY_COLUMNS, studies):
        key = row.site, row.study_instance_uid
        kept[key] = replace(kept[key], study=dict(row._mapping))
    for row in rows_of_studies(connection, list(tables.NOTE.c), studies):
        key = row.site, row.study_instance_uid
        kept[key] = replace(kept[key], note=dict(row._mapping))
    for row in rows_of_studies(connection, list(tables.BILL.c), studies):
        key = row.site, row.study_instance_uid
        kept[key] = replace(kept[key], bill=dict(row._mapping))
    for row in rows_of_studies(connection, list(tables.UNMAPPED.c), studies):
        kept[row.site, row.study_instance_uid].unmapped[row.posting_key] = dict(row._mapping)
    return kept


REVISIONS_KEPT = 12
"""Of one note, to be compared; the number is invented."""


@dataclass(slots=True)
class StudyRows:
    """What a batch writes of studies, gathered: many rows of a table cost little more than one."""

    studies: list[Row] = field(default_factory=list)
    asked: dict[Key, list[Row]] = field(default_factory=dict)
    notes: list[Row] = field(default_factory=list)
    revisions: list[Row] = field(default_factory=list)
    bills: list[Row] = field(default_factory=list)
    unmapped: list[Row] = field(default_factory=list)

    def write(self, connection: Connection) -> None:
        """Write all, each row in place of what was kept; the caller holds the studies' locks."""
        replace_rows(connection, tables.STUDY, self.studies)
        self._write_questions(connection)
        replace_rows(connection, tables.NOTE, self.notes)
        self._write_revisions(connection)
        replace_rows(connection, tables.BILL, self.bills)
        replace_rows(connection, tables.UNMAPPED, self.unmapped)

    def _write_questions(self, connection: Connection) -> None:
        """Write open questions in place of those that the studies had."""
        given = [row for rows in self.asked.values() for row in rows]
        if self.asked:
            keys = [{"of_site": site, "of_study": study} for site, study in self.asked]
            connection.execute(_NO_QUESTIONS, keys)
        if given:
            connection.execute(_QUESTION, given)

    def _write_revisions(self, connection: Connection) -> None:
        """Write revisions of notes, and forget all but the newest of each note."""
        if self.revisions:
            add_rows(connection, tables.NOTE_REVISION, self.revisions)
            notes = {(row["site"], row["study_instance_uid"]) for row in self.revisions}
            keys = [{"of_site": site, "of_study": study} for site, study in sorted(notes)]
            connection.execute(_OLD_REVISIONS, keys)


_QUESTION = insert(tables.QUESTION)
_NO_QUESTIONS = delete(tables.QUESTION).where(
    tables.QUESTION.c.site == bindparam("of_site"),
    tables.QUESTION.c.study_instance_uid == bindparam("of_study"),
)
_OF_NOTE = (
    tables.NOTE_REVISION.c.site == bindparam("of_site"),
    tables.NOTE_REVISION.c.study_instance_uid == bindparam("of_study"),
)
_NEWEST = select(func.max(tables.NOTE_REVISION.c.revision)).where(*_OF_NOTE).scalar_subquery()
_OLD_REVISIONS = delete(tables.NOTE_REVISION).where(
    *_OF_NOTE, tables.NOTE_REVISION.c.revision <= _NEWEST - REVISIONS_KEPT
)


def write_room_days(connection: Connection, rows: Sequence[Row]) -> set[tuple[str, str]]:
    """Write room-days, each where it is newer than what was kept of it; give site and room of
    those that were. Every room-day is given once."""
    if not rows:
        return set()
    newer = connection.execute(_newer_room_days(connection.dialect.name), list(rows))
    return {(row.site, row.room) for row in newer}


@cache
def _newer_room_days(dialect: str) -> Insert:
    table = tables.ROOM_DAY
    adding = (sqlite if dialect == "sqlite" else postgresql).insert(table)
    keys = {column.name for column in table.primary_key}
    told = {name: column for name, column in adding.excluded.items() if name not in keys}
    newer: Insert = adding.on_conflict_do_update(
        index_elements=list(table.primary_key),
        set_=told,
        where=table.c.revision < adding.excluded.revision,
    ).returning(table.c.site, table.c.room)
    return newer


def add_arrivals(connection: Connection, rows: Sequence[Row]) -> set[tuple[str, str]]:
    """Keep what just came; give site and natural key of what was new."""
    return {(site, key) for site, key in add_new_rows(connection, tables.ARRIVAL, rows)}


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


def write_contacts(connection: Connection, told: Mapping[str, Mapping[str, Contact]]) -> None:
    """Write the newest contact of each device, by site and device, what is kept included.

    The caller holds the locks on the sites' devices.
    """
    own = tables.DEVICE.c
    devices = [(site, device) for site, of_site in sorted(told.items()) for device in of_site]
    for row in rows_of(connection, list(own), (own.site, own.device), devices):
        contact = told[row.site][row.device]
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
        for site, of_site in sorted(told.items())
        for device, contact in sorted(of_site.items())
    ]
    replace_rows(connection, tables.DEVICE, rows)
