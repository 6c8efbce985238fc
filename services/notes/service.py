"""The notes service: how it is put together."""

from schemas.channels import NOTES
from services.notes.reminder import Reminder
from services.notes.render import NoteTemplates
from services.notes.worker import NotesHandler
from services.runtime.service import Loop, Runtime, Service


def build(runtime: Runtime) -> Service:
    """Build the service.

    Raises InvalidInput where a template or the abbreviations of the group have a fault, so that
    the service does not start rather than tell notes in another form than the group's.
    """
    templates = NoteTemplates.load(runtime.settings.group_dir / "notes")
    reminder = Reminder(runtime.store, runtime.group, runtime.relay.wake)
    return Service(
        "notes",
        [
            runtime.worker(NOTES, NotesHandler(runtime.group, templates)),
            Loop("reminder", reminder.run),
        ],
    )
