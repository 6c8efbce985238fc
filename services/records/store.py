"""The postings: everything that the record must hold, and what it said to each."""

from collections.abc import Collection, Sequence
from datetime import date, datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import (
    JSON,
    Boolean,
    Column,
    Connection,
    Date,
    Index,
    Integer,
    Row,
    String,
    Table,
    Text,
    and_,
    func,
    insert,
    select,
    update,
)

from services.records.pacing import LONGEST_RETRY_AFTER_S
from services.runtime.due import AT_ONCE, is_due
from services.runtime.tables import METADATA, RowId, UtcDateTime

PostingRow = Row[tuple[Any, ...]]


class Verb(StrEnum):
    CHARGE = "charge"
    REVERSE = "reverse"
    NOTE = "note"
    CORRECT = "correct"


class PostingState(StrEnum):
    """``SUPERSEDED``: a draft that a newer revision of its note overtook before it was posted.

    ``WITHDRAWN``: a charge that the record rejected and the credit that was to reverse it.
    """

    WAITING = "waiting"
    POSTED = "posted"
    REJECTED = "rejected"
    SUPERSEDED = "superseded"
    WITHDRAWN = "withdrawn"


POSTINGS = Table(
    "records_posting",
    METADATA,
    Column("posting_key", String(160), primary_key=True),
    Column("sequence", RowId, nullable=False),
    Column("verb", String(16), nullable=False),
    Column("group_name", String(64), nullable=False),
    Column("site", String(64), nullable=False),
    Column("patient_id", String(64), nullable=False),
    Column("study_instance_uid", String(64), nullable=False),
    Column("note_revision", Integer),
    Column("body", JSON, nullable=False),
    Column("message_id", String(36), nullable=False),
    Column("correlation_id", String(128), nullable=False),
    Column("state", String(16), nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("next_try_at", UtcDateTime, nullable=False),
    Column("answered_at", UtcDateTime),
    Column("reference", Text),
    Column("words", Text),
    Column("maybe_sent", Boolean, nullable=False),
    Column("posting_day", Date),
    Index(
        "ix_records_posting_state_site_patient_id_sequence",
        "state",
        "site",
        "patient_id",
        "sequence",
    ),
    Index("ix_records_posting_study_instance_uid", "study_instance_uid"),
)
"""``sequence`` is the order in which postings became due; a patient's go out by it. ``words``
are the record's own, or why the last try failed. ``maybe_sent`` is set before a posting first
leaves us; ``posting_day`` where the period of its service day was closed."""


def of_study(connection: Connection, study_instance_uid: str) -> dict[str, PostingRow]:
    """Give a study's postings by key, in order."""
    rows = connection.execute(
        select(POSTINGS)
        .where(POSTINGS.c.study_instance_uid == study_instance_uid)
        .order_by(POSTINGS.c.sequence)
    )
    return {row.posting_key: row for row in rows}


def get(connection: Connection, posting_key: str) -> PostingRow | None:
    """Give one posting, or None."""
    return connection.execute(
        select(POSTINGS).where(POSTINGS.c.posting_key == posting_key)
    ).one_or_none()


def add(connection: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Add postings, waiting and due at once, in the order given."""
    if not rows:
        return
    last = int(connection.scalar(select(func.max(POSTINGS.c.sequence))) or 0)
    connection.execute(
        insert(POSTINGS),
        [
            {
                **row,
                "sequence": last + count,
                "state": PostingState.WAITING.value,
                "attempts": 0,
                "next_try_at": AT_ONCE,
                "maybe_sent": False,
            }
            for count, row in enumerate(rows, start=1)
        ],
    )


def supersede_drafts(connection: Connection, posting_keys: Sequence[str]) -> None:
    """Let go of waiting drafts that a newer revision has overtaken."""
    connection.execute(
        update(POSTINGS)
        .where(
            POSTINGS.c.posting_key.in_(posting_keys),
            POSTINGS.c.state == PostingState.WAITING.value,
        )
        .values(state=PostingState.SUPERSEDED.value)
    )


def due(
    connection: Connection, now: datetime, limit: int, without_sites: Collection[str] = ()
) -> Sequence[PostingRow]:
    """Give the first waiting posting of each patient, where its time has come."""
    heads = (
        select(
            POSTINGS.c.site, POSTINGS.c.patient_id, func.min(POSTINGS.c.sequence).label("sequence")
        )
        .where(POSTINGS.c.state == PostingState.WAITING.value)
        .group_by(POSTINGS.c.site, POSTINGS.c.patient_id)
        .subquery()
    )
    return connection.execute(
        select(POSTINGS)
        .join(
            heads,
            and_(
                POSTINGS.c.site == heads.c.site,
                POSTINGS.c.patient_id == heads.c.patient_id,
                POSTINGS.c.sequence == heads.c.sequence,
            ),
        )
        .where(
            POSTINGS.c.state == PostingState.WAITING.value,
            is_due(POSTINGS.c.next_try_at, now, timedelta(seconds=LONGEST_RETRY_AFTER_S)),
            POSTINGS.c.site.not_in(without_sites),
        )
        .order_by(POSTINGS.c.sequence)
        .limit(limit)
    ).all()


def mark_sent(connection: Connection, posting_keys: Sequence[str]) -> None:
    """Note, before it happens, that postings may reach the record."""
    connection.execute(
        update(POSTINGS).where(POSTINGS.c.posting_key.in_(posting_keys)).values(maybe_sent=True)
    )


def hold_sent(connection: Connection, until: datetime) -> int:
    """Let what may be under way rest until then; give how many postings that are."""
    return connection.execute(
        update(POSTINGS)
        .where(
            POSTINGS.c.state == PostingState.WAITING.value,
            POSTINGS.c.maybe_sent,
            POSTINGS.c.next_try_at < until,
        )
        .values(next_try_at=until)
    ).rowcount


def move(connection: Connection, posting_key: str, posting_day: date, words: str) -> None:
    """Put a waiting posting under a later day, for the period of its own is closed."""
    connection.execute(
        update(POSTINGS)
        .where(
            POSTINGS.c.posting_key == posting_key, POSTINGS.c.state == PostingState.WAITING.value
        )
        .values(posting_day=posting_day, words=words)
    )


def wait_again(
    connection: Connection,
    posting_keys: Collection[str],
    before: Collection[PostingState],
) -> int:
    """Put postings that are in one of the states ``before`` in line again; give how many.

    They go out under their keys and in their places.
    """
    return connection.execute(
        update(POSTINGS)
        .where(
            POSTINGS.c.posting_key.in_(posting_keys),
            POSTINGS.c.state.in_([state.value for state in before]),
        )
        .values(state=PostingState.WAITING.value, attempts=0, next_try_at=AT_ONCE)
    ).rowcount


def put_off(
    connection: Connection, posting_key: str, attempts: int, next_try_at: datetime, words: str
) -> None:
    """Note a failed try; the posting waits until its next."""
    connection.execute(
        update(POSTINGS)
        .where(
            POSTINGS.c.posting_key == posting_key, POSTINGS.c.state == PostingState.WAITING.value
        )
        .values(attempts=attempts, next_try_at=next_try_at, words=words)
    )


def answer(
    connection: Connection,
    posting_key: str,
    before: Collection[PostingState],
    after: PostingState,
    *,
    at: datetime,
    reference: str | None,
    words: str | None,
    posting_day: date | None,
) -> bool:
    """Mark what the record said to a posting that is in one of the states ``before``.

    False where it is not: another process has marked it already.
    """
    changed = connection.execute(
        update(POSTINGS)
        .where(
            POSTINGS.c.posting_key == posting_key,
            POSTINGS.c.state.in_([state.value for state in before]),
        )
        .values(
            state=after.value,
            answered_at=at,
            reference=reference,
            words=words,
            posting_day=posting_day,
        )
    ).rowcount
    return changed == 1


def rejected(connection: Connection) -> Sequence[PostingRow]:
    """Give every posting that the record rejected, in order."""
    return connection.execute(
        select(POSTINGS)
        .where(POSTINGS.c.state == PostingState.REJECTED.value)
        .order_by(POSTINGS.c.sequence)
    ).all()


def newest_notes(connection: Connection) -> dict[tuple[str, str], int]:
    """Give the newest revision of each note with a rejected one, by site and study."""
    study = (POSTINGS.c.site, POSTINGS.c.study_instance_uid)
    rejected_ones = select(POSTINGS.c.study_instance_uid).where(
        POSTINGS.c.state == PostingState.REJECTED.value
    )
    rows = connection.execute(
        select(*study, func.max(POSTINGS.c.note_revision))
        .where(
            POSTINGS.c.note_revision.is_not(None),
            POSTINGS.c.study_instance_uid.in_(rejected_ones),
        )
        .group_by(*study)
    )
    return {(site, uid): revision for site, uid, revision in rows}


def count_waiting(connection: Connection) -> int:
    """Count the postings that the record has not answered."""
    query = select(func.count()).select_from(POSTINGS)
    return int(connection.scalar(query.where(POSTINGS.c.state == PostingState.WAITING.value)) or 0)


def oldest_waiting(connection: Connection) -> PostingRow | None:
    """Give the posting that is first in line, or None."""
    return connection.execute(
        select(POSTINGS)
        .where(POSTINGS.c.state == PostingState.WAITING.value)
        .order_by(POSTINGS.c.sequence)
        .limit(1)
    ).one_or_none()
