"""What the charges service keeps: the newest of each study, and every ledger entry ever made."""

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Date,
    Index,
    Integer,
    String,
    Table,
    Text,
    UniqueConstraint,
    insert,
    select,
    update,
)

from schemas.conclusions import ChargesAssessed, LedgerEntry, StudyAssessed
from schemas.facts import PostingOutcome
from services.charges.assess import ChargedStudy, RecordAnswer
from services.runtime.by_keys import Key, rows_of_studies
from services.runtime.tables import METADATA, UtcDateTime
from services.runtime.upsert import replace_rows

STUDY = Table(
    "charges_study",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("released", Boolean, nullable=False),
    Column("assessment", Text),
    Column("revision", Integer, nullable=False),
    Column("snapshot", Text),
    Column("service_day", Date),
    Column("answers", Text),
    Index("ix_charges_study_service_day", "service_day"),
)
"""The newest assessment and what we last concluded from it, at our own revision. ``answers`` is
what the record said last to each posting, as JSON."""

ENTRY = Table(
    "charges_entry",
    METADATA,
    Column("site", String(64), primary_key=True),
    Column("study_instance_uid", String(64), primary_key=True),
    Column("number", Integer, primary_key=True),
    Column("posting_key", String(160), nullable=False),
    Column("body", Text, nullable=False),
    Column("made_at", UtcDateTime, nullable=False),
    UniqueConstraint("site", "posting_key"),
)
"""Append-only: a row is never changed and never deleted."""


def read_studies(connection: Connection, studies: Collection[Key]) -> dict[Key, ChargedStudy]:
    """Read studies; an unknown one is empty."""
    read = {
        (row.site, row.study_instance_uid): ChargedStudy(
            row.released,
            StudyAssessed.model_validate_json(row.assessment) if row.assessment else None,
            row.revision,
            ChargesAssessed.model_validate_json(row.snapshot) if row.snapshot else None,
            _answers(row.answers),
        )
        for row in rows_of_studies(connection, list(STUDY.c), studies)
    }
    return {key: read.get(key, ChargedStudy()) for key in studies}


def read_study(connection: Connection, site: str, study: str) -> ChargedStudy:
    """Read one study; an unknown one is empty."""
    return read_studies(connection, [(site, study)])[site, study]


def write_studies(connection: Connection, studies: Mapping[Key, ChargedStudy]) -> None:
    """Write studies, each in place of what was kept of it."""
    rows = [
        {
            "site": site,
            "study_instance_uid": study,
            "released": state.released,
            "assessment": state.assessment.model_dump_json() if state.assessment else None,
            "revision": state.revision,
            "snapshot": state.snapshot.model_dump_json() if state.snapshot else None,
            "service_day": state.assessment.day if state.assessment else None,
            "answers": _text_of(state.answers),
        }
        for (site, study), state in studies.items()
    ]
    replace_rows(connection, STUDY, rows)


def write_answers(connection: Connection, site: str, study: str, state: ChargedStudy) -> None:
    """Write only what the record said to a study that is kept already."""
    connection.execute(
        update(STUDY)
        .where(STUDY.c.site == site, STUDY.c.study_instance_uid == study)
        .values(answers=_text_of(state.answers))
    )


def _text_of(answers: Mapping[str, RecordAnswer]) -> str | None:
    if not answers:
        return None
    return json.dumps(
        {
            key: {
                "at": answer.at.isoformat(),
                "outcome": answer.outcome.value,
                "words": answer.words,
                "posting_day": answer.posting_day.isoformat() if answer.posting_day else None,
            }
            for key, answer in answers.items()
        }
    )


def _answers(text: str | None) -> dict[str, RecordAnswer]:
    told = json.loads(text) if text else {}
    return {
        key: RecordAnswer(
            datetime.fromisoformat(one["at"]),
            PostingOutcome(one["outcome"]),
            one["words"],
            date.fromisoformat(one["posting_day"]) if one["posting_day"] else None,
        )
        for key, one in told.items()
    }


def priced_studies(
    connection: Connection, first: date, last: date
) -> Iterator[tuple[str, StudyAssessed, ChargesAssessed]]:
    """Give site, assessment and charges of each study of a period, a page in memory at a time."""
    rows = connection.execution_options(yield_per=_PAGE).execute(
        select(STUDY.c.site, STUDY.c.assessment, STUDY.c.snapshot)
        .where(
            STUDY.c.service_day >= first, STUDY.c.service_day <= last, STUDY.c.snapshot.is_not(None)
        )
        .order_by(STUDY.c.service_day, STUDY.c.site, STUDY.c.study_instance_uid)
    )
    for row in rows:
        yield (
            row.site,
            StudyAssessed.model_validate_json(row.assessment),
            ChargesAssessed.model_validate_json(row.snapshot),
        )


_PAGE = 500


def read_ledgers(
    connection: Connection, studies: Collection[Key]
) -> dict[Key, tuple[LedgerEntry, ...]]:
    """Read every entry of studies, each study's in the order in which they were made."""
    ledgers: dict[Key, tuple[LedgerEntry, ...]] = dict.fromkeys(studies, ())
    columns = (ENTRY.c.site, ENTRY.c.study_instance_uid, ENTRY.c.number, ENTRY.c.body)
    rows = rows_of_studies(connection, columns, studies)
    for row in sorted(rows, key=lambda row: int(row.number)):
        entry = LedgerEntry.model_validate_json(row.body)
        ledgers[row.site, row.study_instance_uid] += (entry,)
    return ledgers


def read_ledger(connection: Connection, site: str, study: str) -> tuple[LedgerEntry, ...]:
    """Read every entry of one study, in the order in which they were made."""
    return read_ledgers(connection, [(site, study)])[site, study]


def append(
    connection: Connection, site: str, study: str, after: int, entries: Sequence[LedgerEntry]
) -> None:
    """Add entries behind the ``after`` that are there. A key that is taken raises."""
    if not entries:
        return
    now = datetime.now(UTC)
    connection.execute(
        insert(ENTRY),
        [
            {
                "site": site,
                "study_instance_uid": study,
                "number": number,
                "posting_key": entry.posting_key,
                "body": entry.model_dump_json(),
                "made_at": now,
            }
            for number, entry in enumerate(entries, start=after + 1)
        ],
    )
