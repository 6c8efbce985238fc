"""Studies and notes in a store of the test's own, for the commands that read them there."""

from __future__ import annotations

from pathlib import Path

from schemas.conclusions import NoteWritten, StudyAssessed
from services.notes.note_file import NoteFile
from services.notes.store import KeptNote, write_notes
from services.runtime.settings import Settings
from services.runtime.store import Store
from tests.command_line import DEMO_GROUP
from tests.newest_schema import bring_to_newest


def keep(folder: Path, study: StudyAssessed, note: NoteWritten | None, *sites: str) -> None:
    """Keep a study and its note at some sites as the notes worker does, in ``data``."""
    settings = Settings(data_dir=folder / "data", group_dir=DEMO_GROUP)
    settings.data_dir.mkdir()
    store = Store(settings.store_url, 1)
    try:
        bring_to_newest(store)
        with store.begin() as connection:
            for site in sites:
                now = KeptNote(NoteFile(assessment=study), note.revision if note else 0, note)
                write_notes(connection, {(site, study.study_instance_uid): (KeptNote(), now)})
    finally:
        store.close()
