"""Keep and find what reconciliation rests on."""

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from sqlalchemy import Connection, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite

from schemas.facts import PostingAnswered
from schemas.facts.record_lines import (
    ChargeExceptionCountersigned,
    ChargeExceptionDecided,
    RecordLinesRead,
)
from services.charges.effects import Correction, Effect
from services.charges.reconcile_tables import (
    ANSWER,
    CORRECTION,
    DECISION,
    EFFECT,
    LINE,
    READING,
    STUDY_DAY,
)
from services.charges.stored_forms import correction_json, effect_json
from services.runtime.upsert import add_row, add_rows


def note_days(connection: Connection, days: Mapping[tuple[str, str], Iterable[date]]) -> None:
    """Note on which days studies, each with its site, have work or entries."""
    rows = [
        {"site": site, "day": day, "study_instance_uid": study}
        for (site, study), own in sorted(days.items())
        for day in sorted(own)
    ]
    add_rows(connection, STUDY_DAY, rows)


def take_answer(connection: Connection, site: str, told: PostingAnswered, at: datetime) -> None:
    """Keep the newest answer to a posting."""
    dialect = sqlite if connection.dialect.name == "sqlite" else postgresql
    values = {"outcome": told.outcome.value, "words": told.words, "answered_at": at}
    connection.execute(
        dialect.insert(ANSWER)
        .values(site=site, posting_key=told.posting_key, **values)
        .on_conflict_do_update(
            index_elements=[ANSWER.c.site, ANSWER.c.posting_key],
            set_=values,
            where=ANSWER.c.answered_at <= at,
        )
    )


def take_lines(connection: Connection, site: str, told: RecordLinesRead) -> bool:
    """Keep one part of a reading; True where the reading of its day is whole and newest now."""
    own = (READING.c.site == site, READING.c.day == told.day)
    reading = {"site": site, "day": told.day, "read_at": told.read_at, "part": told.part}
    newest = whole_readings(connection, site, told.day, told.day).get(told.day)
    if newest is not None and newest >= told.read_at:
        return False
    if not add_row(connection, READING, {**reading, "parts": told.parts}):
        return False
    lines = [
        {
            "site": site,
            "day": told.day,
            "read_at": told.read_at,
            "line_id": line.line_id,
            "posting_key": line.posting_key,
            "body": line.model_dump_json(),
        }
        for line in told.lines
    ]
    # A record that names two lines alike breaks its contract; the first one is kept.
    add_rows(connection, LINE, lines)
    if whole_readings(connection, site, told.day, told.day).get(told.day) != told.read_at:
        return False
    connection.execute(delete(READING).where(*own, READING.c.read_at < told.read_at))
    connection.execute(
        delete(LINE).where(
            LINE.c.site == site, LINE.c.day == told.day, LINE.c.read_at < told.read_at
        )
    )
    return True


def whole_readings(
    connection: Connection, site: str, first: date, last: date
) -> dict[date, datetime]:
    """Give the moment of the newest whole reading of each day that has one."""
    rows = connection.execute(
        select(READING.c.day, READING.c.read_at)
        .where(READING.c.site == site, READING.c.day.between(first, last))
        .group_by(READING.c.day, READING.c.read_at)
        .having(func.count() == func.max(READING.c.parts))
        .order_by(READING.c.read_at)
    )
    return {row.day: row.read_at for row in rows}


def take_decision(
    connection: Connection,
    site: str,
    told: ChargeExceptionDecided | ChargeExceptionCountersigned,
    person: str,
    at: datetime,
) -> bool:
    """Keep a decision or a countersignature; False where it is here already."""
    row = {
        "site": site,
        "natural_key": f"{told.natural_key(at)}:{person}",
        "day": told.day,
        "exception_id": told.exception_id,
        "kind": told.KIND,
        "person": person,
        "at": at,
        "body": told.model_dump_json(),
    }
    return add_row(connection, DECISION, row)


def add_effect(
    connection: Connection, site: str, effect: Effect, currency: str, made_at: datetime
) -> bool:
    """Keep what a decision does; False where it was done already."""
    line_id, key = effect.assigned or (None, None)
    row = {
        "site": site,
        "exception_id": effect.exception_id,
        "decided_at": effect.force.decision.at,
        "day": effect.day,
        "line_id": line_id,
        "posting_key": key,
        "body": effect_json(effect, currency),
        "made_at": made_at,
    }
    if not add_row(connection, EFFECT, row):
        return False
    corrections = [_correction_row(site, one, currency) for one in effect.corrections]
    add_rows(connection, CORRECTION, corrections)
    return True


def _correction_row(site: str, one: Correction, currency: str) -> dict[str, Any]:
    return {
        "site": site,
        "posting_key": one.key,
        "day": one.day,
        "corrects": one.corrects,
        "body": correction_json(one, currency),
    }
