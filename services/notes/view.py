"""What a template sees of a note: plain texts and lists, in a full and a short form."""

from enum import StrEnum
from typing import Any, Final

from schemas.conclusions import NoteSection
from schemas.group import Site
from schemas.note_layout import (
    ANAESTHESIA,
    CAUTIONS,
    DOSE,
    INDICATION,
    LIMITATIONS,
    PATIENT,
    REPEATS,
    TECHNIQUE,
    VIEWS,
)
from services.notes.abbreviations import Abbreviation, used
from services.notes.banner import banner
from services.notes.note_now import NoteNow
from services.notes.wording import named
from services.notes.writing import Writing

MOST_LINES: Final = 1_000
"""A loop over lines turns no oftener; what is beyond is in the last line, and none is lost."""

SHORT_LINES: Final[dict[str, int | None]] = {
    PATIENT.name: 4,
    INDICATION.name: None,
    ANAESTHESIA.name: None,
    VIEWS.name: None,
    TECHNIQUE.name: 1,
    REPEATS.name: None,
    DOSE.name: 5,
    LIMITATIONS.name: None,
    CAUTIONS.name: None,
}
"""How many lines of a drafted section the short form keeps; None: all. The dose keeps its basis."""


class Form(StrEnum):
    FULL = "full"
    SHORT = "short"


def view_of(
    note: NoteNow, site: Site, form: Form, known: tuple[Abbreviation, ...]
) -> dict[str, Any]:
    """Lay out a note for a template: see ``template_language.KINDS``."""
    writing = Writing.of(site)
    sections = note.sections if form is Form.FULL else _short(note)
    written = [one.text for one in note.sections if one.for_vet]
    written += [one.text for one in note.addenda]
    return {
        "form": form.value,
        "state": note.state.value,
        "language": writing.language,
        "banner": banner(note, site, writing),
        "site_title": site.title,
        "sections": [
            {
                "section": one.section,
                "title": one.title,
                "text": one.text,
                "lines": _lines(one.text),
                "for_vet": one.for_vet,
            }
            for one in sections
        ],
        "addenda": [
            {
                "by": named(site, one.signer),
                "at": writing.moment(one.signed_at),
                "text": one.text,
                "lines": _lines(one.text),
            }
            for one in note.addenda
        ],
        "signatures": [
            {
                "by": named(site, one.signer),
                "at": writing.moment(one.signed_at),
                "final": one.final,
            }
            for one in note.signatures
        ],
        "abbreviations": [
            {"short": one.short, "expansion": one.expansion} for one in used(written, known)
        ],
        "content_sha256": note.content_sha256,
    }


def _short(note: NoteNow) -> list[NoteSection]:
    """Keep what a reader wants at a glance; whatever a person wrote stays whole."""
    by_hand = {one.section for one in note.differences}
    sections = []
    for section in note.sections:
        if section.section in by_hand or section.for_vet:
            sections.append(section)
        elif section.section in SHORT_LINES:
            sections.append(_cut(section, SHORT_LINES[section.section]))
    return sections


def _cut(section: NoteSection, most: int | None) -> NoteSection:
    lines = section.text.splitlines()
    if most is None or len(lines) <= most:
        return section
    left_out = len(lines) - most
    more = f"({left_out} more {'line' if left_out == 1 else 'lines'} in the full note.)"
    return section.model_copy(update={"text": "\n".join([*lines[:most], more])})


def _lines(text: str) -> list[str]:
    lines = text.splitlines()
    if len(lines) <= MOST_LINES:
        return lines
    return [*lines[: MOST_LINES - 1], "\n".join(lines[MOST_LINES - 1 :])]
