"""From a decision to postings: what goes out again, and lines that put others right."""

from typing import Any

from schemas.conclusions import ChargesCorrected
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from services.records import store
from services.records.store import PostingState, Verb
from services.runtime.worker import Work

_MAY_GO_AGAIN = (PostingState.POSTED, PostingState.REJECTED)


def take_corrections(work: Work, message: Message[Payload], told: ChargesCorrected) -> None:
    """Put a decision's postings in line. Raises InvalidInput for a key with other content."""
    if told.again:
        store.wait_again(work.connection, told.again, _MAY_GO_AGAIN)
    new: list[dict[str, Any]] = []
    for entry in told.entries:
        body = {"currency": told.currency, "entry": entry.model_dump(mode="json")}
        known = store.get(work.connection, entry.posting_key)
        if known is None:
            new.append(
                {
                    "posting_key": entry.posting_key,
                    "verb": Verb.CORRECT.value,
                    "group_name": message.group,
                    "site": message.site,
                    "patient_id": entry.patient_id,
                    "study_instance_uid": entry.study_instance_uid,
                    "note_revision": None,
                    "body": body,
                    "message_id": str(message.id),
                    "correlation_id": message.correlation_id,
                }
            )
        elif known.body != body:
            raise InvalidInput(
                "payload.entries", entry.posting_key, "the entry as it was first told"
            )
    store.add(work.connection, new)
