"""When a note was made, by what it tells itself: a file of it is dated so, not by the clock."""

from datetime import UTC, datetime

from schemas.conclusions import NoteWritten
from services.notes.study_shown import StudyShown


def note_time(note: NoteWritten, shown: StudyShown) -> datetime:
    """Give the last moment that the note tells of, in UTC, whole seconds: when it was made.

    The last addendum or signature; of a draft the last image or exposure, else the study's day.
    """
    signed = [one.signed_at for one in note.addenda]
    signed += [one.signed_at for one in note.signatures]
    signed += [note.signed_at] if note.signed_at else []
    last = max(signed, default=shown.last_moment)
    return last.astimezone(UTC).replace(microsecond=0)  # a PDF's dates hold no parts
