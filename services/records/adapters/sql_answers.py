"""The record's answers to staged rows: those to be told on, and the one that stands."""

from collections.abc import Sequence
from typing import Annotated, Any, ClassVar, Literal, Self

import structlog
from pydantic import Field, model_validator
from sqlalchemy import ColumnElement, Connection, func, select, update

from schemas.base import Contract
from schemas.errors import InvalidInput
from schemas.facts import PostingOutcome
from schemas.facts.desk import PostingKey
from services.records.adapters.sql_reading import (
    clock,
    may_still_be_written,
    read_as,
    texts,
    token_of,
    unreadable,
    values,
)
from services.records.adapters.sql_tables import ANSWER, CHARGE, NOTE
from services.records.adapters.sql_types import now_there
from services.records.port import LateAnswer, Unreadable

log = structlog.get_logger(__name__)

_MOST_AT_ONCE = 500
_OFFERED_TURN = func.coalesce(CHARGE.c.turn, NOTE.c.turn).label("offered_turn")

Words = Annotated[str, Field(min_length=1)]


class AnswerRow(Contract):
    """One whole answer: accepted with its reference, or rejected with its words."""

    answer_id: int
    posting_key: PostingKey
    turn: Annotated[int, Field(ge=1)]
    outcome: Literal[PostingOutcome.ACCEPTED, PostingOutcome.REJECTED]
    reference: Words | None = None
    words: Words | None = None
    taken_at: str | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "answer_id": 1,
            "posting_key": "charge:2.25.1001:1",
            "turn": 1,
            "outcome": "rejected",
            "words": "Account closed (invented)",
        },
    )

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        if self.outcome is PostingOutcome.ACCEPTED and self.reference is None:
            raise ValueError("expected the reference of what was accepted, got none")
        if self.outcome is PostingOutcome.REJECTED and self.words is None:
            raise ValueError("expected the words of what was rejected, got none")
        return self

    @property
    def accepted(self) -> bool:
        return self.outcome is PostingOutcome.ACCEPTED

    @property
    def taken(self) -> bool:
        """Whether it was told on: what we do after it is not what it answered."""
        return self.taken_at is not None


def answers_of(
    connection: Connection, condition: ColumnElement[bool]
) -> dict[str, list[AnswerRow]]:
    """Give the whole answers by posting key, in order; others are told by ``read_answers``."""
    found: dict[str, list[AnswerRow]] = {}
    query = select(*texts(ANSWER)).where(condition).order_by(ANSWER.c.answer_id)
    for row in connection.execute(query).mappings():
        try:
            answer = read_as(AnswerRow, ANSWER, values(ANSWER, row))
        except InvalidInput:
            continue
        found.setdefault(answer.posting_key, []).append(answer)
    return found


def standing(answers: Sequence[AnswerRow], turn: int) -> AnswerRow | None:
    """Give the answer that counts: the last, leaving out rejections of an older turn."""
    counted = [one for one in answers if one.accepted or one.turn >= turn]
    return counted[-1] if counted else None


def read_answers(connection: Connection) -> tuple[list[LateAnswer | Unreadable], list[int]]:
    """Give the answers that are not taken yet, and the ids of those that came too late.

    One that is still being written is left. Too late is a rejection of what has been offered
    again since: it would undo what a person has released.
    """
    now = clock(connection)
    query = select(*texts(ANSWER), _OFFERED_TURN).where(ANSWER.c.taken_at.is_(None))
    for table in (CHARGE, NOTE):
        query = query.join(table, table.c.posting_key == ANSWER.c.posting_key, isouter=True)
    items: list[LateAnswer | Unreadable] = []
    late: list[int] = []
    for found in connection.execute(query.order_by(ANSWER.c.answer_id).limit(_MOST_AT_ONCE)):
        row = values(ANSWER, found._mapping)
        try:
            answer = read_as(AnswerRow, ANSWER, row)
        except InvalidInput as error:
            if not may_still_be_written(row, "answered_at", now):
                items.append(unreadable(ANSWER, row, error))
            continue
        if not answer.accepted and answer.turn < (found.offered_turn or 1):
            late.append(answer.answer_id)
            continue
        items.append(
            LateAnswer(
                token=token_of(ANSWER, answer.answer_id),
                posting_key=answer.posting_key,
                outcome=answer.outcome,
                reference=answer.reference,
                words=answer.words,
            )
        )
    return items, late


def set_aside(connection: Connection, late: Sequence[int]) -> None:
    """Mark answers that came too late, so that they are not read again."""
    words = "a rejection of an older turn: the row was offered again since"
    for answer_id in late:
        connection.execute(
            update(ANSWER)
            .where(ANSWER.c.answer_id == answer_id)
            .values(taken_at=now_there(), fault=words)
        )
    log.info("late_rejections_set_aside", answers=list(late))
