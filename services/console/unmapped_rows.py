"""Postings of a study that wait for a code of the record, until they are answered. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from schemas.conclusions import CodesMissing
from schemas.envelope import Message, Payload
from services.console.answers import Answer, from_text

Row = dict[str, Any]


def unmapped_rows(
    site: str,
    messages: Sequence[Message[Payload]],
    known: Mapping[str, Row],
    answered: Sequence[Mapping[str, Any]],
) -> dict[str, Row]:
    """Make the rows of ``tables.UNMAPPED``, by posting key; the newest telling of each counts.

    ``answered`` are the rows of the study's note and bill, which keep the record's answers.
    """
    rows = dict(known)
    for message in messages:
        told = message.payload
        if not isinstance(told, CodesMissing):
            continue
        new = {
            "site": site,
            "posting_key": told.posting_key,
            "study_instance_uid": told.study_instance_uid,
            "told_at": message.occurred_at,
            "open_since": message.occurred_at,
            "snapshot": told.model_dump_json(),
        }
        old = rows.get(told.posting_key)
        if old is None or _order(old) < _order(new):
            rows[told.posting_key] = new
    if not rows:
        return {}
    answers: dict[str, Answer] = {}
    for row in answered:
        answers |= from_text(row["answers"])
    return {key: _settled(row, answers.get(key)) for key, row in rows.items()}


def _settled(row: Row, answer: Answer | None) -> Row:
    ended = answer is not None and answer.at >= row["told_at"]
    return row | {"open_since": None if ended else row["told_at"]}


def _order(row: Row) -> tuple[Any, ...]:
    return row["told_at"], row["snapshot"]
