"""The kept note of a study as a command makes something of it."""

from typing import NamedTuple

from schemas.conclusions import NoteWritten
from schemas.group import Site, load_group
from services.notes.note_versions import Version, version_at
from services.notes.only_one import only_one
from services.notes.store import KeptNote, find_assessments, read_note
from services.notes.study_shown import StudyShown, study_shown
from services.runtime.settings import Settings
from services.runtime.store import Store


class NoteAtHand(NamedTuple):
    """A note as it was told last, what it shows of its study, and which version of it that is."""

    note: NoteWritten
    shown: StudyShown
    version: Version


def note_at_hand(settings: Settings, study: str, site: str | None) -> tuple[Site, NoteAtHand]:
    """Read the note of a study; ends the command where none, or more than one, is known."""
    found: list[tuple[str, NoteAtHand]] = []
    opened = Store(settings.store_url, settings.store.pool_size)
    try:
        with opened.read() as connection:
            for name, _ in find_assessments(connection, study):
                at_hand = as_it_stands(read_note(connection, name, study))
                if at_hand is not None:
                    found.append((name, at_hand))
    finally:
        opened.close()
    name, one = only_one(found, study, site, "no note of it is known")
    return load_group(settings.group_dir).site(name), one


def as_it_stands(kept: KeptNote) -> NoteAtHand | None:
    """Give the note that was told last; None while there is none.

    Of a signed one it shows what the signature saw, else what is concluded now.
    """
    note, assessment, signed = kept.snapshot, kept.file.assessment, kept.file.signed
    if note is None or assessment is None:
        return None
    saw = signed.shown if signed is not None else None
    version = version_at(note.revision, kept.file.written, kept.file.reports)
    return NoteAtHand(note, saw or study_shown(assessment), version)
