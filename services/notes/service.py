"""The notes service: how it is put together."""

from schemas.channels import NOTES
from services.notes.worker import NotesHandler
from services.runtime.service import Runtime, Service


def build(runtime: Runtime) -> Service:
    """Build the service."""
    return Service("notes", [runtime.worker(NOTES, NotesHandler(runtime.group))])
