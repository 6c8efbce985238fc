"""A stored posting as what the port takes."""

import json

from schemas.conclusions import CorrectionEntry, LedgerEntry, NoteWritten
from services.records.port import (
    Answer,
    ChargePosting,
    CorrectionPosting,
    NotePosting,
    PatientRecord,
)
from services.records.store import PostingRow, Verb


def post(record: PatientRecord, row: PostingRow) -> Answer:
    """Give a stored posting to the record, by its verb. Raises what the port raises."""
    verb = Verb(row.verb)
    if verb is Verb.NOTE:
        return record.post_note(note_posting(row))
    if verb is Verb.CORRECT:
        return record.correct_charge(correction_posting(row))
    if verb is Verb.REVERSE:
        return record.reverse_charge(charge_posting(row))
    return record.post_charge(charge_posting(row))


def charge_posting(row: PostingRow) -> ChargePosting:
    """Read a charge or credit back from its row."""
    return ChargePosting(
        site=row.site,
        patient_id=row.patient_id,
        study_instance_uid=row.study_instance_uid,
        account=row.body["account"],
        accession_number=row.body["accession_number"],
        currency=row.body["currency"],
        entry=LedgerEntry.model_validate_json(json.dumps(row.body["entry"])),
    )


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
