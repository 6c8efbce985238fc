"""What notes add to ``gomphosis check``: the group's own templates, where it has any."""

from collections.abc import Iterable

from schemas.errors import InvalidInput
from schemas.group import Group
from services.notes.render import NAMES, NoteTemplates
from services.runtime.checks import Verdict
from services.runtime.settings import Settings


def check_notes(settings: Settings, group: Group) -> Iterable[Verdict]:
    """Read the templates and abbreviations of the group's folder ``notes``."""
    del group
    folder = settings.group_dir / "notes"
    if not folder.is_dir():
        return
    try:
        templates = NoteTemplates.load(folder)
    except InvalidInput as error:
        yield Verdict("note templates", False, str(error))
        return
    own = ", ".join(NAMES[key] for key in templates.own) or "none; the packaged ones are used"
    yield Verdict("note templates", True, own)
