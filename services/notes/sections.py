"""The sections of an unsigned note: the newest draft with the vets' words in it."""

from collections.abc import Sequence

from schemas.conclusions import NoteSection, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts.desk import NoteAmended
from schemas.group import Site
from services.notes.draft import draft
from services.notes.layout import PARTS
from services.notes.wording import named


def written_sections(
    assessment: StudyAssessed, facts: Sequence[Message[Payload]], site: Site
) -> tuple[NoteSection, ...]:
    """Put the vets' words into the draft; ``facts`` are in order and the last word counts.

    A correction goes above what the device data say and never hides it: those may change later.
    """
    drafted = {section.section: section for section in draft(assessment, site)}
    words: dict[str, tuple[str, str]] = {
        fact.payload.section: (fact.payload.text, fact.source.name)
        for fact in facts
        if isinstance(fact.payload, NoteAmended)
    }
    sections = []
    for part in PARTS:
        section = drafted.get(part.name)
        if part.name in words:
            text, author = words[part.name]
            if section is not None and not part.for_vet:
                by = f"(Written by {named(site, author)}.)"
                text = f"{text}\n\n{by} The device data say:\n{section.text}"
            sections.append(
                NoteSection(section=part.name, title=part.title, text=text, for_vet=part.for_vet)
            )
        elif section is not None:
            sections.append(section)
    return tuple(sections)
