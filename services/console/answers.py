"""What the record answered to our postings, the newest answer to each. Pure."""

import json
from collections.abc import Mapping
from datetime import datetime
from typing import NamedTuple

from schemas.facts import PostingAnswered, PostingOutcome


class Answer(NamedTuple):
    """Ordered by when it was given, so that the newest is the greatest."""

    at: datetime
    outcome: PostingOutcome
    words: str


Answers = Mapping[str, Answer]


def with_answer(answers: Answers, told: PostingAnswered, at: datetime) -> Answers:
    """Add an answer, unless a newer one to this posting is known."""
    new = Answer(at, told.outcome, told.words or told.record_reference or "")
    known = answers.get(told.posting_key)
    if known is not None and known >= new:
        return answers
    return {**answers, told.posting_key: new}


def newest(answers: Answers) -> Answer | None:
    """Give the newest answer of all."""
    return max(answers.values(), default=None)


def as_text(answers: Answers) -> str:
    """Write answers down, the same text for the same answers."""
    told = {
        key: [one.at.isoformat(), one.outcome.value, one.words]
        for key, one in sorted(answers.items())
    }
    return json.dumps(told, separators=(",", ":"))


def from_text(text: str) -> Answers:
    """Read what ``as_text`` wrote."""
    return {
        key: Answer(datetime.fromisoformat(at), PostingOutcome(outcome), words)
        for key, (at, outcome, words) in json.loads(text).items()
    }
