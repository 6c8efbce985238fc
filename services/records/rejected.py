"""What of a study the record has rejected, and goes out again once a person releases it. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from schemas.conclusions import NoteState
from services.records.store import PostingRow, PostingState, Verb

SIGNED_STATES: Final = frozenset({NoteState.SIGNED.value, NoteState.ADDENDED.value})


def rejected_charges(study: Iterable[PostingRow]) -> Sequence[str]:
    """Name the rejected charges, credits and corrections among a study's postings."""
    return [row.posting_key for row in study if row.verb != Verb.NOTE.value and _rejected(row)]


def rejected_notes(study: Iterable[PostingRow]) -> Sequence[str]:
    """Name what goes out again of a study's note, in order; nothing unless the newest is rejected.

    Before it go the signed revisions that were rejected since the record took one: what was signed
    is to stand there beside what was added. Anything older would come after what replaced it.
    """
    notes = sorted(
        (row for row in study if row.verb == Verb.NOTE.value), key=lambda row: row.note_revision
    )
    if not notes or not _rejected(notes[-1]):
        return []
    held = max((row.note_revision for row in notes if not _rejected(row) and _left(row)), default=0)
    return [
        row.posting_key
        for row in notes
        if _rejected(row)
        and row.note_revision > held
        and (row is notes[-1] or row.body["state"] in SIGNED_STATES)
    ]


def still_rejected(
    rows: Iterable[PostingRow], newest: Mapping[tuple[str, str], int]
) -> list[PostingRow]:
    """Leave out the notes of which a newer revision has gone out, for nobody has to act on them.

    ``newest`` tells the newest revision of a note by site and study.
    """
    return [
        row
        for row in rows
        if row.verb != Verb.NOTE.value
        or row.note_revision == newest.get((row.site, row.study_instance_uid))
    ]


def next_action(row: PostingRow) -> str:
    """Say what a person does about a rejected posting."""
    fact = "note_released" if row.verb == Verb.NOTE.value else "charges_released"
    return f"put the cause right, then tell {fact} for the study: it goes out again under its key"


def _rejected(row: PostingRow) -> bool:
    return bool(row.state == PostingState.REJECTED.value)


def _left(row: PostingRow) -> bool:
    """Tell whether the record may hold it, or will before long."""
    return bool(row.state != PostingState.SUPERSEDED.value or row.maybe_sent)
