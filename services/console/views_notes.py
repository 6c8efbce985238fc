"""What the notes desk shows: which notes wait for whom, by age, and one note with its study."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, func, select

from schemas.conclusions import NoteWritten, StudyAssessed
from services.console.answers import Answers, from_text
from services.console.paging import Page, from_place, page_of
from services.console.tables import NOTE, STUDY, with_study


@dataclass(frozen=True, slots=True)
class NoteLine:
    """A note as a line of the list. ``waits_for``: signature, cosignature or addendum."""

    site: str
    study_instance_uid: str
    state: str | None
    waits_for: str | None
    since: datetime | None
    signer: str | None
    trainee: str | None
    refused: str | None
    reminder: int
    patient_id: str | None
    patient_name: str | None
    species: str | None
    accession_number: str | None
    plan_title: str | None
    room: str | None

    def age_hours(self, now: datetime) -> float:
        """Give the hours since the work was done; none where that is not known yet."""
        if self.since is None:
            return 0.0
        return max((now - self.since).total_seconds() / 3_600.0, 0.0)


@dataclass(frozen=True, slots=True)
class NotePage:
    """One note, whole, with the study that it is about, where that is known already.

    ``answers``: what the record said to each of its postings last, by posting key.
    """

    line: NoteLine
    note: NoteWritten
    study: StudyAssessed | None
    answers: Answers


_NOTE = [
    NOTE.c[name]
    for name in (
        "site",
        "study_instance_uid",
        "state",
        "waits_for",
        "since",
        "signer",
        "trainee",
        "refused",
        "reminder",
    )
]
_STUDY = [
    STUDY.c[name]
    for name in (
        "patient_id",
        "patient_name",
        "species",
        "accession_number",
        "plan_title",
        "room",
    )
]
_JOINED = with_study(NOTE)


def waiting_notes(
    connection: Connection,
    sites: Sequence[str] | None,
    after: str | None = None,
    waits_for: str | None = None,
) -> Page[NoteLine]:
    """List the notes that wait for a person, the oldest first; of all sites where none is named.

    ``waits_for`` narrows it down to those that wait for a signature, cosignature or addendum.
    Raises InvalidInput for a place that no page gave.
    """
    own = NOTE.c.open_since
    query = select(*_NOTE, *_STUDY, own).select_from(_JOINED).where(own.is_not(None))
    if sites is not None:
        query = query.where(NOTE.c.site.in_(sites))
    if waits_for is not None:
        query = query.where(NOTE.c.waits_for == waits_for)
    columns = [own, NOTE.c.site, NOTE.c.study_instance_uid]
    rows = connection.execute(from_place(query, columns, after)).all()
    return page_of(rows, columns, lambda row: NoteLine(*row[:-1]))


def refused_notes(connection: Connection, site: str, after: str | None = None) -> Page[NoteLine]:
    """List the notes whose newest answered posting the record refused, the oldest first.

    Raises InvalidInput for a place that no page gave.
    """
    query = select(*_NOTE, *_STUDY).select_from(_JOINED)
    query = query.where(NOTE.c.site == site, NOTE.c.refused.is_not(None), NOTE.c.since.is_not(None))
    columns = [NOTE.c.since, NOTE.c.study_instance_uid]
    rows = connection.execute(from_place(query, columns, after)).all()
    return page_of(rows, columns, lambda row: NoteLine(*row))


def all_notes(connection: Connection, site: str, after: str | None = None) -> Page[NoteLine]:
    """List every note of a site, the newest first.

    Raises InvalidInput for a place that no page gave.
    """
    query = select(*_NOTE, *_STUDY).select_from(_JOINED)
    query = query.where(NOTE.c.site == site, NOTE.c.since.is_not(None))
    columns = [NOTE.c.since, NOTE.c.study_instance_uid]
    rows = connection.execute(from_place(query, columns, after, newest_first=True)).all()
    return page_of(rows, columns, lambda row: NoteLine(*row))


def count_waiting(connection: Connection, site: str) -> dict[str, int]:
    """Count a site's notes by what they wait for."""
    query = (
        select(NOTE.c.waits_for, func.count())
        .where(NOTE.c.site == site, NOTE.c.open_since.is_not(None))
        .group_by(NOTE.c.waits_for)
    )
    return {str(what): int(number) for what, number in connection.execute(query)}


def count_refused(connection: Connection, site: str) -> int:
    """Count the notes of a site that the record refused."""
    query = select(func.count()).select_from(NOTE)
    query = query.where(NOTE.c.site == site, NOTE.c.refused.is_not(None))
    return int(connection.scalar(query) or 0)


def one_note(connection: Connection, site: str, study_instance_uid: str) -> NotePage | None:
    """Read one note; None where none is known yet."""
    row = connection.execute(
        select(
            *_NOTE,
            *_STUDY,
            NOTE.c.answers,
            NOTE.c.snapshot.label("note_snapshot"),
            STUDY.c.snapshot.label("study_snapshot"),
        )
        .select_from(_JOINED)
        .where(NOTE.c.site == site, NOTE.c.study_instance_uid == study_instance_uid)
    ).one_or_none()
    if row is None or row.note_snapshot is None:
        return None
    study = row.study_snapshot
    return NotePage(
        NoteLine(*row[:-3]),
        NoteWritten.model_validate_json(row.note_snapshot),
        StudyAssessed.model_validate_json(study) if study is not None else None,
        from_text(row.answers),
    )
