"""From conclusions to postings: what is due for the record and not known yet is put in line."""

from collections.abc import Sequence
from typing import Any

import structlog

from schemas.conclusions import (
    ChargesAssessed,
    ChargesCorrected,
    EntryType,
    LedgerEntry,
    NoteState,
    NoteWritten,
)
from schemas.envelope import Message, Payload
from schemas.errors import InvalidInput
from schemas.facts import ChargesReleased, NoteReleased
from services.records import store
from services.records.corrections import take_corrections
from services.records.port import STATUS_OF_NOTE, note_key
from services.records.postings import ledger_entry
from services.records.rejected import SIGNED_STATES, rejected_charges, rejected_notes
from services.records.shown import shown_by
from services.records.store import PostingRow, PostingState, Verb
from services.runtime.worker import Work

log = structlog.get_logger(__name__)

_DRAFTS = {NoteState.DRAFT.value, NoteState.AMENDED.value}

# Postings of all studies share one sequence; the lock keeps a patient's in order.
_SEQUENCE_LOCK = "records-sequence"


def handle(work: Work, messages: Sequence[Message[Payload]]) -> None:
    """Put in line what these messages make due.

    Raises InvalidInput where a ledger entry is not what it was under the same key.
    """
    work.lock(_SEQUENCE_LOCK)
    for message in messages:
        if isinstance(message.payload, ChargesAssessed):
            _take_charges(work, message, message.payload)
        elif isinstance(message.payload, ChargesCorrected):
            take_corrections(work, message, message.payload)
        elif isinstance(message.payload, NoteWritten):
            _take_note(work, message, message.payload)
        elif isinstance(message.payload, ChargesReleased):
            study = store.of_study(work.connection, message.payload.study_instance_uid)
            _send_again(work, rejected_charges(study.values()))
        elif isinstance(message.payload, NoteReleased):
            study = store.of_study(work.connection, message.payload.study_instance_uid)
            own = [row for row in study.values() if row.site == message.site]
            _send_again(work, rejected_notes(own))


def _send_again(work: Work, rejected: Sequence[str]) -> None:
    """A person has acted on what the record rejected: it goes out once more, under its key."""
    if rejected:
        store.wait_again(work.connection, rejected, (PostingState.REJECTED,))
        log.info("rejected_postings_sent_again", posting_keys=rejected)


def _take_charges(work: Work, message: Message[Payload], charges: ChargesAssessed) -> None:
    if not charges.due:
        return
    known = store.of_study(work.connection, charges.study_instance_uid)
    new: dict[str, dict[str, Any]] = {}
    for entry in charges.ledger:
        body = entry.model_dump(mode="json")
        if entry.posting_key in known:
            _refuse_edited(known[entry.posting_key], entry)
        elif entry.posting_key in new:
            raise InvalidInput("payload.ledger", entry.posting_key, "each posting key once")
        else:
            new[entry.posting_key] = _charge_row(message, charges, entry, body, known, new)
    store.add(work.connection, list(new.values()))


def _refuse_edited(row: PostingRow, entry: LedgerEntry) -> None:
    """A ledger is only added to. An entry that changed would leave the record with the old one."""
    if row.verb == Verb.NOTE.value or ledger_entry(row) != entry:
        raise InvalidInput(
            "payload.ledger", entry.posting_key, "the entry as it was first told under this key"
        )


def _charge_row(
    message: Message[Payload],
    charges: ChargesAssessed,
    entry: LedgerEntry,
    body: dict[str, Any],
    known: dict[str, PostingRow],
    new: dict[str, dict[str, Any]],
) -> dict[str, Any]:
    row = _row(message, entry.posting_key, Verb.CHARGE, charges.study_instance_uid)
    row["patient_id"] = entry.patient_id
    row["body"] = {
        "account": entry.account,
        "accession_number": charges.accession_number,
        "currency": charges.currency,
        "entry": body,
        "shown": shown_by(charges, entry),
    }
    if entry.type is EntryType.CREDIT:
        row["verb"] = Verb.REVERSE.value
        # The credit goes where its charge went, though the study has another patient by now.
        if entry.reverses in known:
            charge = known[entry.reverses]
            row["patient_id"], row["site"] = charge.patient_id, charge.site
            row["body"] = {**charge.body, "entry": body}
        elif entry.reverses in new:
            row["patient_id"] = new[entry.reverses]["patient_id"]
    return row


def _take_note(work: Work, message: Message[Payload], note: NoteWritten) -> None:
    if not note.due or note.state not in STATUS_OF_NOTE:
        return
    rows = store.of_study(work.connection, note.study_instance_uid).values()
    known = [row for row in rows if row.verb == Verb.NOTE.value]
    if any(row.note_revision >= note.revision for row in known):
        return
    if note.state.value in _DRAFTS and any(row.body["state"] in SIGNED_STATES for row in known):
        raise InvalidInput(
            "payload.state", note.state.value, "a signed note never to be a draft again"
        )
    overtaken = [
        row.posting_key
        for row in known
        if row.state == PostingState.WAITING.value and row.body["state"] in _DRAFTS
    ]
    if overtaken:
        store.supersede_drafts(work.connection, overtaken)
        log.info("drafts_superseded", posting_keys=overtaken)
    row = _row(message, note_key(note), Verb.NOTE, note.study_instance_uid)
    row["patient_id"] = note.patient_id
    row["note_revision"] = note.revision
    row["body"] = note.model_dump(mode="json")
    store.add(work.connection, [row])


def _row(message: Message[Payload], key: str, verb: Verb, study: str) -> dict[str, Any]:
    return {
        "posting_key": key,
        "verb": verb.value,
        "group_name": message.group,
        "site": message.site,
        "study_instance_uid": study,
        "note_revision": None,
        "message_id": str(message.id),
        "correlation_id": message.correlation_id,
    }
