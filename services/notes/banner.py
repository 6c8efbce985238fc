"""The line at the head of a note: that it is a draft, or who signed it and when."""

from schemas.conclusions import NoteWritten
from schemas.group import Site
from services.notes.note_now import NoteNow
from services.notes.wording import named
from services.notes.writing import Writing

DRAFT_BANNER = "DRAFT — NOT SIGNED. Not a diagnosis. To be corrected and signed by a licensed vet."


def banner(note: NoteNow | NoteWritten, site: Site, writing: Writing) -> str:
    """Say who signed a note, or that it is a draft, with the trainees who signed what it says."""
    if note.signer is not None and note.signed_at is not None:
        more = f" Addenda: {len(note.addenda)}." if note.addenda else ""
        return f"Signed by {named(site, note.signer)}, {writing.moment(note.signed_at)}.{more}"
    waiting = [
        f"{named(site, one.signer)}, {writing.moment(one.signed_at)}"
        for one in note.signatures
        if one.content_sha256 == note.content_sha256
    ]
    told = f" Signed by a trainee ({'; '.join(waiting)}); waits for a vet's signature."
    return DRAFT_BANNER + (told if waiting else "")
