"""Follows what was sent: reads notes and refusals, and tells the outcome of each deed."""

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import Connection, select

from schemas.conclusions import NoteWritten
from schemas.errors import InvalidInput
from schemas.facts import NoteAmended, NoteSigned
from schemas.messages import parse
from services.console.answers import Answers, from_text
from services.console.notes.outcomes import Deed, Outcome, deed
from services.console.notes.sent_store import KINDS, Sent, sent_by, sent_of
from services.console.tables import NOTE
from services.runtime import triage

_STRIP_FOR: Final = timedelta(hours=12)
_DONE_FOR: Final = timedelta(minutes=10)
"""How long a deed is shown: not done, and done. Both are invented."""


def deeds_of_note(
    connection: Connection,
    site: str,
    study: str,
    note: NoteWritten | None,
    answers: Answers,
    now: datetime,
) -> list[Deed]:
    """Tell of everything that was sent of one note of late, the newest first."""
    return _told(connection, sent_of(connection, site, study), {study: (note, answers)}, now)


def own_deeds(connection: Connection, site: str, person: str, now: datetime) -> list[Deed]:
    """Tell of what a person sent: all that has no result or was refused, and the last ones done.

    A change of the text is told on its note's own page, and here only where it was refused.
    """
    sent = sent_by(connection, site, person, now - _STRIP_FOR)
    notes = _notes(connection, site, {one.study_instance_uid for one in sent})
    deeds = _told(connection, sent, notes, now)
    return [
        one
        for one in deeds
        if one.outcome is Outcome.REFUSED
        or (
            not isinstance(one.sent.fact, NoteAmended)
            and (one.outcome is Outcome.SENT or now - one.sent.sent_at < _DONE_FOR)
        )
    ]


def on_their_way(deeds: Iterable[Deed]) -> set[str]:
    """Name the notes whose signature was sent and has no result yet."""
    return {
        one.sent.study_instance_uid
        for one in deeds
        if one.outcome is Outcome.SENT and isinstance(one.sent.fact, NoteSigned)
    }


def refusal_of(connection: Connection, natural_key: str) -> str | None:
    """Give what the notes service expected instead of a fact, where it refused it."""
    return _refusals(connection).get(natural_key)


_Notes = dict[str, tuple[NoteWritten | None, Answers]]


def _told(connection: Connection, sent: Sequence[Sent], notes: _Notes, now: datetime) -> list[Deed]:
    nothing: tuple[NoteWritten | None, Answers] = (None, {})
    first = [deed(one, *notes.get(one.study_instance_uid, nothing), {}, now) for one in sent]
    if all(one.outcome is Outcome.DONE for one in first):
        return first
    refusals = _refusals(connection)
    return [deed(one, *notes.get(one.study_instance_uid, nothing), refusals, now) for one in sent]


def _notes(connection: Connection, site: str, studies: set[str]) -> _Notes:
    rows = connection.execute(
        select(NOTE.c.study_instance_uid, NOTE.c.snapshot, NOTE.c.answers).where(
            NOTE.c.site == site, NOTE.c.study_instance_uid.in_(sorted(studies))
        )
    )
    return {
        row.study_instance_uid: (
            NoteWritten.model_validate_json(row.snapshot) if row.snapshot is not None else None,
            from_text(row.answers),
        )
        for row in rows
    }


def _refusals(connection: Connection) -> dict[str, str]:
    """Read what the notes service has put to triage; the newest of each fact counts."""
    found: dict[str, str] = {}
    for row in triage.newest_of(connection, "notes", KINDS):
        try:
            key = parse(row.body).natural_key
        except InvalidInput:
            continue  # it is none that came by our door
        found.setdefault(key, str(row.expected))
    return found
