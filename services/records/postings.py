"""A stored posting as what the port takes."""

import json

from pydantic import ValidationError

from schemas.conclusions import CorrectionEntry, LedgerEntry, NoteWritten
from schemas.messages import invalid_input
from schemas.teeth import Species
from services.records.held import answer_of
from services.records.port import (
    Accepted,
    ChargeAnswer,
    ChargePosting,
    CorrectionPosting,
    NotePosting,
    PatientRecord,
)
from services.records.store import PostingRow, Verb
from services.records.unmapped import Posting


def post(record: PatientRecord, row: PostingRow) -> ChargeAnswer:
    """Give a stored posting to the record, by its verb. Raises what the port raises.

    What may be there already is looked for first: an answer may have been lost, and not every
    record knows a key again. A note's revision has a place of its own, so it needs no look.
    """
    verb = Verb(row.verb)
    if verb is Verb.NOTE:
        return record.post_note(note_posting(row))
    if verb is Verb.CORRECT:
        known = _held_correction(record, row) if row.maybe_sent else None
        return known or record.correct_charge(correction_posting(row))
    posting = charge_posting(row)
    held = record.find_charge(posting) if row.maybe_sent else None
    if held is not None:
        return answer_of(held, posting)
    if verb is Verb.REVERSE:
        return record.reverse_charge(posting)
    return record.post_charge(posting)


def posting_of(row: PostingRow) -> Posting:
    """Read a stored posting as what the port takes; raises what its parts do where it cannot."""
    verb = Verb(row.verb)
    if verb is Verb.NOTE:
        return note_posting(row)
    if verb is Verb.CORRECT:
        return correction_posting(row)
    return charge_posting(row)


def why_unreadable(row: PostingRow) -> str | None:
    """Say why a posting cannot be read as it is stored; None where it can."""
    try:
        posting_of(row)
    except ValidationError as error:
        return f"the posting cannot be read as it is stored: {invalid_input(error, 'body')}"
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        told = f"{type(error).__name__}: {error}"
        return f"the posting cannot be read as it is stored: expected it as it was put in ({told})"
    return None


def _held_correction(record: PatientRecord, row: PostingRow) -> Accepted | None:
    """Look for a correction that the record may hold already; what it holds is not judged here."""
    lines = record.read_charges(study_instance_uid=row.study_instance_uid)
    held = next((line for line in lines if line.posting_key == row.posting_key), None)
    return Accepted(held.reference) if held is not None else None


def charge_posting(row: PostingRow) -> ChargePosting:
    """Read a charge or credit back from its row."""
    shown = row.body.get("shown", {})
    species = shown.get("species")
    return ChargePosting(
        site=row.site,
        patient_id=row.patient_id,
        study_instance_uid=row.study_instance_uid,
        account=row.body["account"],
        accession_number=row.body["accession_number"],
        currency=row.body["currency"],
        entry=ledger_entry(row),
        moved_to=row.posting_day,
        species=Species(species) if species is not None else None,
        plan=shown.get("plan"),
        views=tuple(shown.get("views", ())),
        teeth=tuple(shown.get("teeth", ())),
    )


def ledger_entry(row: PostingRow) -> LedgerEntry:
    """Read the ledger entry of a charge or credit."""
    return LedgerEntry.model_validate_json(json.dumps(row.body["entry"]))


def correction_posting(row: PostingRow) -> CorrectionPosting:
    """Read a correction back from its row."""
    return CorrectionPosting(
        site=row.site,
        currency=row.body["currency"],
        entry=CorrectionEntry.model_validate_json(json.dumps(row.body["entry"])),
    )


def note_posting(row: PostingRow) -> NotePosting:
    """Read a note's revision back from its row."""
    return NotePosting(site=row.site, note=NoteWritten.model_validate_json(json.dumps(row.body)))
