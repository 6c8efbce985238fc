"""Which notes wait too long for a signature: a pure function of now and of the notes."""

from datetime import datetime

from schemas.conclusions import NoteUnsigned
from schemas.group import Site
from services.notes.note_file import NoteFile
from services.notes.note_now import draft_is_due, note_now


def waits_for_signature(file: NoteFile) -> bool:
    """Tell whether the work is done and no vet has signed its note."""
    if file.assessment is None or file.signed is not None:
        return False
    return draft_is_due(file.assessment)


def age_hours(waiting_since: datetime, now: datetime) -> float:
    """Give the hours that a note has waited; none where a clock went back."""
    return max((now - waiting_since).total_seconds() / 3_600.0, 0.0)


def reminders_passed(waiting_since: datetime, now: datetime, site: Site) -> int:
    """Count the site's hours that a note is older than."""
    age = age_hours(waiting_since, now)
    return sum(age >= hours for hours in site.remind_unsigned_after_hours)


def reminder_due(
    file: NoteFile, waiting_since: datetime, reminded: int, now: datetime, site: Site
) -> NoteUnsigned | None:
    """Give the reminder that is due, if any.

    Where several came due while nobody looked, the last one alone is told.
    """
    passed = reminders_passed(waiting_since, now, site)
    if passed <= reminded or not waits_for_signature(file):
        return None
    return unsigned_note(file, waiting_since, passed, now, site)


def unsigned_note(
    file: NoteFile, waiting_since: datetime, reminder: int, now: datetime, site: Site
) -> NoteUnsigned | None:
    """Tell a waiting note as a task; ``reminder`` is at least 1."""
    note = note_now(file, site)
    if note is None:
        return None
    trainees = [one.signer for one in note.signatures if one.content_sha256 == note.content_sha256]
    age = age_hours(waiting_since, now)
    if note.needs_cosign:
        what = f"a vet's signature after {trainees[-1]}'s, who is a trainee"
    else:
        what = "a vet's signature"
    return NoteUnsigned(
        study_instance_uid=note.study_instance_uid,
        patient_id=note.patient_id,
        accession_number=note.accession_number,
        waiting_since=waiting_since,
        age_hours=round(age, 2),
        reminder=reminder,
        waits_for="cosignature" if note.needs_cosign else "signature",
        trainee=trainees[-1] if note.needs_cosign else None,
        words=f"The note has waited {age:.0f} hours for {what}. Read it, correct it and sign it.",
    )
