"""What people sent of notes from this console, until what became of it is long known."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Column, Connection, Index, Integer, Row, String, Table, Text, select

from schemas.facts import NoteAddended, NoteAmended, NoteReleased, NoteSigned
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import add_row

SENT = Table(
    "console_sent",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("natural_key", String(300), primary_key=True),
    Column("study_instance_uid", String(64), nullable=False),
    Column("kind", String(40), nullable=False),
    Column("person", String(130), nullable=False),
    Column("sent_at", UtcDateTime, nullable=False),
    Column("revision", Integer, nullable=False),
    Column("fact", Text, nullable=False),
    Index("ix_console_sent_person", "site", "person", "sent_at"),
    Index("ix_console_sent_study", "site", "study_instance_uid", "sent_at"),
    Index("ix_console_sent_at", "sent_at"),
)
"""``revision``: the note's when it was sent. ``person``: ``<site>/<name>``."""

NoteFact = NoteAmended | NoteSigned | NoteAddended | NoteReleased
KINDS: Final[dict[str, type[NoteFact]]] = {
    one.KIND: one for one in (NoteAmended, NoteSigned, NoteAddended, NoteReleased)
}
_MOST: Final = 40
"""The newest; the number is invented."""


@dataclass(frozen=True, slots=True)
class Sent:
    """A fact of a note that intake has kept."""

    site: str
    natural_key: str
    study_instance_uid: str
    person: str
    sent_at: datetime
    revision: int
    fact: NoteFact


def keep_sent(connection: Connection, sent: Sent) -> None:
    """Keep what was sent; what is kept already stays as it was first."""
    row = {
        "site": sent.site,
        "natural_key": sent.natural_key,
        "study_instance_uid": sent.study_instance_uid,
        "kind": sent.fact.KIND,
        "person": sent.person,
        "sent_at": sent.sent_at,
        "revision": sent.revision,
        "fact": json.dumps(sent.fact.model_dump(mode="json")),
    }
    add_row(connection, SENT, row)


def sent_by(connection: Connection, site: str, person: str, since: datetime) -> list[Sent]:
    """Give what a person sent at a site since then, the newest first."""
    query = select(SENT).where(
        SENT.c.site == site, SENT.c.person == person, SENT.c.sent_at >= since
    )
    return _read(connection.execute(query.order_by(SENT.c.sent_at.desc()).limit(_MOST)).all())


def sent_of(connection: Connection, site: str, study: str) -> list[Sent]:
    """Give what was sent of one note by anybody, the newest first."""
    query = select(SENT).where(SENT.c.site == site, SENT.c.study_instance_uid == study)
    return _read(connection.execute(query.order_by(SENT.c.sent_at.desc()).limit(_MOST)).all())


def _read(rows: Sequence[Row[Any]]) -> list[Sent]:
    return [
        Sent(
            row.site,
            row.natural_key,
            row.study_instance_uid,
            row.person,
            row.sent_at,
            row.revision,
            KINDS[row.kind].model_validate_json(row.fact),
        )
        for row in rows
    ]
