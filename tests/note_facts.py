"""Facts about one note, and the note as it then stands, for the tests of its life."""

from dataclasses import replace
from datetime import timedelta
from types import MappingProxyType

from schemas.conclusions import StudyAssessed
from schemas.facts.desk import (
    NoteAddended,
    NoteAmended,
    NoteSigned,
    PostingAnswered,
    PostingOutcome,
)
from services.notes.lifecycle import take_assessment
from services.notes.note_file import Fact, NoteFile
from services.notes.note_now import NoteNow, note_now
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view

SITE = GROUP.site("north")
FIRST = assessed(1, [image(1)], views=(view(1),))


def opened(file: NoteFile | None = None, study: StudyAssessed = FIRST) -> NoteFile:
    return take_assessment(file or NoteFile(), study, SITE)[0]


def standing(file: NoteFile) -> NoteNow:
    note = note_now(file, SITE)
    assert note is not None
    return note


def amendment(
    text: str, section: str = "findings-mandible-left", *, minute: int = 1, by: str = "vet-1"
) -> Fact:
    payload = NoteAmended(study_instance_uid=STUDY, section=section, text=text)
    return message(payload, person=by, at=START + timedelta(minutes=minute))


def signature_under(
    file: NoteFile, *, by: str = "vet-1", sha256: str | None = None, minute: int = 30
) -> Fact:
    payload = NoteSigned(
        study_instance_uid=STUDY,
        note_sha256=sha256 or standing(file).content_sha256,
        signer=by,
        reauthenticated_at=START + timedelta(minutes=minute),
    )
    return message(payload, person=by, at=START + timedelta(minutes=minute))


def addendum(text: str = "Invented addendum.", *, minute: int = 60, by: str = "vet-1") -> Fact:
    at = START + timedelta(minutes=minute)
    payload = NoteAddended(study_instance_uid=STUDY, text=text, signer=by, reauthenticated_at=at)
    return message(payload, person=by, at=at)


def record_answer(
    key: str,
    outcome: PostingOutcome = PostingOutcome.ACCEPTED,
    *,
    words: str | None = None,
    minute: int = 0,
) -> Fact:
    payload = PostingAnswered(
        posting_key=key, study_instance_uid=STUDY, outcome=outcome, words=words
    )
    return message(payload, at=START + timedelta(minutes=minute))


def told_at(file: NoteFile, revision: int) -> NoteFile:
    """Do what the worker does when it has told a revision."""
    written = MappingProxyType({**file.written, revision: standing(file).digest})
    return replace(file, written=written)


def section_text(note: NoteNow, section: str) -> str:
    return next(one.text for one in note.sections if one.section == section)
