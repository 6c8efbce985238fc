"""The note as the message that tells it."""

from pydantic import ValidationError

from schemas.conclusions import NoteWritten, StudyAssessed
from schemas.group import Site
from schemas.messages import invalid_input
from services.notes.lifecycle import NoteNow
from services.notes.render import render_html, render_text


def written(note: NoteNow, assessment: StudyAssessed, revision: int, site: Site) -> NoteWritten:
    """Make the message of a note at a revision.

    Raises InvalidInput where the note has grown beyond what a message may hold.
    """
    try:
        return NoteWritten(
            revision=revision,
            assessment_revision=assessment.revision,
            study_instance_uid=note.study_instance_uid,
            patient_id=note.patient_id,
            accession_number=note.accession_number,
            state=note.state,
            due=note.due,
            sections=note.sections,
            content_sha256=note.content_sha256,
            signer=note.signer,
            signed_at=note.signed.signed_at if note.signed else None,
            addenda=note.addenda,
            addendum_proposal=note.addendum_proposal,
            signatures=note.signatures,
            needs_cosign=note.needs_cosign,
            differences=note.differences,
            text=render_text(note, site),
            html=render_html(note, site),
        )
    except ValidationError as error:
        raise invalid_input(error, "note") from error


def same_note(one: NoteWritten, other: NoteWritten) -> bool:
    """Tell whether two revisions say the same; the counters alone are no news."""
    counters = {"revision": 1, "assessment_revision": 1}
    return one.model_copy(update=counters) == other.model_copy(update=counters)
