"""What the record said, marked and told as a fact in one transaction."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, date, datetime
from uuid import UUID

from schemas.channels import Exchange
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import PostingAnswered, PostingOutcome
from services.records import store
from services.records.port import Accepted, Answer, LateAnswer
from services.records.store import PostingRow, PostingState
from services.runtime.worker import Work

_LONGEST_TEXT = 2000
_NO_WORDS = "(the record gave no reason)"

UNANSWERED = (PostingState.WAITING, PostingState.SUPERSEDED)
"""A draft that was overtaken while it was on its way is in the record all the same."""


@dataclass(frozen=True, slots=True)
class Said:
    """An answer in the words of the fact."""

    outcome: PostingOutcome
    reference: str | None
    words: str | None
    posting_day: date | None = None
    """The day that the record holds it under, where that is not the service day."""

    @property
    def state(self) -> PostingState:
        return _STATE[self.outcome]


_STATE = {
    PostingOutcome.ACCEPTED: PostingState.POSTED,
    PostingOutcome.REJECTED: PostingState.REJECTED,
    PostingOutcome.WITHDRAWN: PostingState.WITHDRAWN,
}
_OUTCOME = {state: outcome for outcome, state in _STATE.items()}
ANSWERED = tuple(_OUTCOME)
"""The states of a posting that has its answer."""


def said(answer: Answer, row: PostingRow) -> Said:
    """Read the port's answer."""
    if isinstance(answer, Accepted):
        reference = _text(answer.reference)
        moved = answer.posting_day or row.posting_day
        if moved is None:
            return Said(PostingOutcome.ACCEPTED, reference, None)
        service_day = date.fromisoformat(row.body["entry"]["service_day"])
        if moved == service_day:
            return Said(PostingOutcome.ACCEPTED, reference, None)
        words = f"the period of {service_day} was closed: it stands under {moved}"
        return Said(PostingOutcome.ACCEPTED, reference, words, moved)
    return Said(PostingOutcome.REJECTED, None, _text(answer.words) or _NO_WORDS)


def said_late(answer: LateAnswer, row: PostingRow) -> Said:
    """Read a late answer; the reference given at first stays where it gives none."""
    if answer.outcome is PostingOutcome.ACCEPTED:
        reference = answer.reference or row.reference
        return Said(answer.outcome, _text(reference), _text(answer.words), row.posting_day)
    return Said(answer.outcome, _text(answer.reference), _text(answer.words) or _NO_WORDS)


def mark(
    work: Work, row: PostingRow, answer: Said, source: Source, before: Collection[PostingState]
) -> bool:
    """Mark a posting and emit ``PostingAnswered``; False where it was marked already."""
    now = datetime.now(UTC)
    changed = store.answer(
        work.connection,
        row.posting_key,
        before,
        answer.state,
        at=now,
        reference=answer.reference,
        words=answer.words,
        posting_day=answer.posting_day,
    )
    if changed:
        work.emit(answered(row, answer, source, now), Exchange.OFFERS)
    return changed


def said_before(row: PostingRow) -> Said:
    """Read the answer that a posting was marked with."""
    return Said(_OUTCOME[PostingState(row.state)], row.reference, row.words, row.posting_day)


def answered(row: PostingRow, answer: Said, source: Source, at: datetime) -> Message[Payload]:
    """Make the fact of an answer; the same answer of the same moment is the same fact."""
    return Message(
        id=new_id(),
        group=row.group_name,
        site=row.site,
        occurred_at=at,
        received_at=at,
        source=source,
        correlation_id=row.correlation_id,
        causation_id=UUID(row.message_id),
        payload=PostingAnswered(
            posting_key=row.posting_key,
            study_instance_uid=row.study_instance_uid,
            outcome=answer.outcome,
            record_reference=answer.reference,
            words=answer.words,
            posting_day=answer.posting_day,
        ),
    )


def fit(words: str) -> str:
    """Fit a record's words to fact and store: no record may break our own contract."""
    kept = words.replace("\x00", "\N{REPLACEMENT CHARACTER}").encode("utf-8", "replace").decode()
    return kept if len(kept) <= _LONGEST_TEXT else kept[: _LONGEST_TEXT - 1] + "…"


def _text(words: str | None) -> str | None:
    return fit(words) if words and words.strip() else None
