"""The note as the message that tells it."""

from pydantic import ValidationError

from schemas.conclusions import NoteShows, NoteWritten, StudyAssessed
from schemas.errors import InvalidInput
from schemas.group import Site
from schemas.messages import MAX_MESSAGE_BYTES, invalid_input
from services.notes.note_now import NoteNow
from services.notes.render import NoteTemplates, TooLong
from services.notes.study_shown import note_shows, study_shown
from services.notes.view import Form

_MOST_BYTES = MAX_MESSAGE_BYTES - 2_000
"""What a message has room for beside its envelope."""


def written(
    note: NoteNow,
    assessment: StudyAssessed,
    revision: int,
    site: Site,
    templates: NoteTemplates,
) -> NoteWritten:
    """Make the message of a note at a revision.

    Raises InvalidInput where the note has grown beyond what a message may hold.
    """
    try:
        told = NoteWritten(
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
            signed_at=note.signed_at,
            addenda=note.addenda,
            addendum_proposal=note.addendum_proposal,
            signatures=note.signatures,
            needs_cosign=note.needs_cosign,
            differences=note.differences,
            task=note.task,
            shows=_shows(note, assessment),
            text=templates.text(note, site),
            html=templates.html(note, site),
            short_text=templates.text(note, site, Form.SHORT),
            short_html=templates.html(note, site, Form.SHORT),
        )
    except ValidationError as error:
        raise invalid_input(error, "note") from error
    except TooLong as error:
        raise InvalidInput("note", str(error), "a note that a message can hold") from error
    size = len(told.model_dump_json().encode())
    if size > _MOST_BYTES:
        raise InvalidInput("note", f"{size} bytes", f"at most {_MOST_BYTES} bytes")
    return told


def _shows(note: NoteNow, assessment: StudyAssessed) -> NoteShows | None:
    if note.signed is None:
        return note_shows(study_shown(assessment))
    # What was concluded since is not what was signed.
    return note_shows(note.signed.shown) if note.signed.shown is not None else None


def same_note(one: NoteWritten, other: NoteWritten) -> bool:
    """Tell whether two revisions say the same; the counters alone are no news."""
    counters = {"revision": 1, "assessment_revision": 1}
    return one.model_copy(update=counters) == other.model_copy(update=counters)
