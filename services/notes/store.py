"""What the notes service keeps: the newest of each study, its facts, and what was told of it."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from types import MappingProxyType
from typing import Any

from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Integer,
    LargeBinary,
    Row,
    String,
    Table,
    Text,
    and_,
    delete,
    insert,
    select,
    update,
)

from schemas.conclusions import NoteWritten, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts.desk import PostingOutcome
from schemas.messages import parse
from services.notes.content import SignedNote
from services.notes.note_file import NoteFile, RecordSaid
from services.runtime.by_keys import Key, rows_of_studies
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import replace_rows

STUDY = Table(
    "notes_study",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("assessment", Text),
    Column("signed", Text),
    Column("revision", Integer, nullable=False),
    Column("snapshot", Text),
    Column("waiting_since", UtcDateTime),
    Column("reminded", Integer, nullable=False, server_default="0"),
)
"""The newest assessment, the note as it was signed, and what we told last.

``waiting_since``: from when on the note of finished work waits for a signature; ``reminded``: how
many reminders of that were told.
"""

FACT = Table(
    "notes_fact",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("natural_key", String(300), primary_key=True),
    Column("occurred_at", UtcDateTime, nullable=False),
    Column("body", LargeBinary, nullable=False),
)
"""The kept facts of the notes desk, whole, with who told them."""

REVISION = Table(
    "notes_revision",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("revision", Integer, primary_key=True),
    Column("content", String(64), nullable=False),
    Column("outcome", String(16)),
    Column("answered_at", UtcDateTime),
    Column("words", Text),
    Column("report_uid", String(64)),
)
"""What the record would hold of each revision that we told, and what it said to it last.

``report_uid``: of its structured report as it would have been written then."""


@dataclass(frozen=True, slots=True)
class KeptNote:
    """One study's note as it is kept. ``snapshot`` is what was told last, at ``revision``.

    ``waiting_since`` and ``reminded`` as in the table.
    """

    file: NoteFile = field(default_factory=NoteFile)
    revision: int = 0
    snapshot: NoteWritten | None = None
    waiting_since: datetime | None = None
    reminded: int = 0


def read_note(connection: Connection, site: str, study: str) -> KeptNote:
    """Read a study's note; an unknown one is empty."""
    return read_notes(connection, [(site, study)])[site, study]


def read_notes(connection: Connection, studies: Collection[Key]) -> dict[Key, KeptNote]:
    """Read the notes of studies; an unknown one is empty."""
    rows = rows_of_studies(connection, list(STUDY.c), studies)
    known = {(row.site, row.study_instance_uid) for row in rows}
    facts: dict[Key, list[Message[Payload]]] = {key: [] for key in known}
    columns = (FACT.c.site, FACT.c.study_instance_uid, FACT.c.body)
    for one in rows_of_studies(connection, columns, known):
        facts[one.site, one.study_instance_uid].append(parse(one.body))
    revisions: dict[Key, list[Row[Any]]] = {key: [] for key in known}
    for one in rows_of_studies(connection, list(REVISION.c), known):
        revisions[one.site, one.study_instance_uid].append(one)
    read = {
        key: _kept(row, facts[key], revisions[key])
        for row in rows
        for key in [(row.site, row.study_instance_uid)]
    }
    return {key: read.get(key, KeptNote()) for key in studies}


def _kept(
    row: Row[Any], facts: Sequence[Message[Payload]], revisions: Sequence[Row[Any]]
) -> KeptNote:
    file = NoteFile(
        assessment=StudyAssessed.model_validate_json(row.assessment) if row.assessment else None,
        facts=MappingProxyType({fact.natural_key: fact for fact in facts}),
        signed=SignedNote.model_validate_json(row.signed) if row.signed else None,
        written=MappingProxyType({one.revision: one.content for one in revisions}),
        reports=MappingProxyType(
            {one.revision: one.report_uid for one in revisions if one.report_uid}
        ),
        answers=MappingProxyType(
            {
                one.revision: RecordSaid(
                    one.answered_at, PostingOutcome(one.outcome), one.words or ""
                )
                for one in revisions
                if one.outcome is not None
            }
        ),
    )
    snapshot = NoteWritten.model_validate_json(row.snapshot) if row.snapshot else None
    return KeptNote(file, row.revision, snapshot, row.waiting_since, row.reminded)


@dataclass(frozen=True, slots=True)
class Waiting:
    """A note that waits for its signature: where, since when, and how often that was told."""

    site: str
    study_instance_uid: str
    waiting_since: datetime
    reminded: int


def waiting_notes(connection: Connection) -> list[Waiting]:
    """Find every note that waits for its signature, the oldest first."""
    rows = connection.execute(
        select(STUDY.c.site, STUDY.c.study_instance_uid, STUDY.c.waiting_since, STUDY.c.reminded)
        .where(STUDY.c.waiting_since.is_not(None))
        .order_by(STUDY.c.waiting_since, STUDY.c.site, STUDY.c.study_instance_uid)
    )
    return [Waiting(*row) for row in rows]


def note_reminded(connection: Connection, waiting: Waiting, reminded: int) -> None:
    """Keep how many reminders were told, in the caller's transaction."""
    connection.execute(
        update(STUDY)
        .where(_is(STUDY, waiting.site, waiting.study_instance_uid))
        .values(reminded=reminded)
    )


def find_assessments(connection: Connection, study: str) -> list[tuple[str, StudyAssessed]]:
    """Find a study's newest assessment, with its site: two sites may know one UID."""
    rows = connection.execute(
        select(STUDY.c.site, STUDY.c.assessment)
        .where(STUDY.c.study_instance_uid == study, STUDY.c.assessment.is_not(None))
        .order_by(STUDY.c.site)
    )
    return [(row.site, StudyAssessed.model_validate_json(row.assessment)) for row in rows]


def write_notes(connection: Connection, notes: Mapping[Key, tuple[KeptNote, KeptNote]]) -> None:
    """Write what changed of studies' notes, each given as it was read and as it is now."""
    rows = [
        {
            "site": site,
            "study_instance_uid": study,
            "assessment": now.file.assessment.model_dump_json() if now.file.assessment else None,
            "signed": now.file.signed.model_dump_json() if now.file.signed else None,
            "revision": now.revision,
            "snapshot": now.snapshot.model_dump_json() if now.snapshot else None,
            "waiting_since": now.waiting_since,
            "reminded": now.reminded,
        }
        for (site, study), (_before, now) in notes.items()
    ]
    replace_rows(connection, STUDY, rows)
    told: list[dict[str, Any]] = []
    for (site, study), (before, now) in notes.items():
        _write_facts(connection, site, study, before.file, now.file)
        told += _new_revisions(site, study, before.file, now.file)
    if told:
        connection.execute(insert(REVISION), told)
    for (site, study), (before, now) in notes.items():
        _write_answers(connection, site, study, before.file, now.file)


def _write_facts(
    connection: Connection, site: str, study: str, before: NoteFile, now: NoteFile
) -> None:
    settled = before.facts.keys() - now.facts.keys()
    if settled:
        connection.execute(
            delete(FACT).where(_is(FACT, site, study), FACT.c.natural_key.in_(settled))
        )
    new = [
        {
            "site": site,
            "study_instance_uid": study,
            "natural_key": key,
            "occurred_at": fact.occurred_at,
            "body": fact.encode(),
        }
        for key, fact in now.facts.items()
        if key not in before.facts
    ]
    if new:
        connection.execute(insert(FACT), new)


def _new_revisions(site: str, study: str, before: NoteFile, now: NoteFile) -> list[dict[str, Any]]:
    return [
        {
            "site": site,
            "study_instance_uid": study,
            "revision": revision,
            "content": content,
            "report_uid": now.reports.get(revision),
        }
        for revision, content in now.written.items()
        if revision not in before.written
    ]


def _write_answers(
    connection: Connection, site: str, study: str, before: NoteFile, now: NoteFile
) -> None:
    for revision, said in now.answers.items():
        if before.answers.get(revision) != said:
            connection.execute(
                update(REVISION)
                .where(_is(REVISION, site, study), REVISION.c.revision == revision)
                .values(outcome=said.outcome.value, answered_at=said.at, words=said.words)
            )


def _is(table: Table, site: str, study: str) -> ColumnElement[bool]:
    return and_(table.c.site == site, table.c.study_instance_uid == study)
