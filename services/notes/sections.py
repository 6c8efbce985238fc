"""The sections of an unsigned note: the newest draft with the vets' words in it."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from schemas.conclusions import NoteSection, SectionDifference, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts.desk import NoteAmended
from schemas.group import Site
from schemas.note_layout import PARTS
from services.notes.draft import draft
from services.notes.wording import named
from services.runtime.differences import words_runs


class Words(NamedTuple):
    """The last words that a person wrote in a section."""

    text: str
    author: str


class Written(NamedTuple):
    """The sections as they stand, and how people's words differ from the draft."""

    sections: tuple[NoteSection, ...]
    differences: tuple[SectionDifference, ...]


def written_sections(
    assessment: StudyAssessed, facts: Sequence[Message[Payload]], site: Site
) -> Written:
    """Put the vets' words into the draft; ``facts`` are in order and the last word counts.

    A correction goes above what the device data say and never hides it: those may change later.
    """
    drafted = {section.section: section for section in draft(assessment, site)}
    words = {
        fact.payload.section: Words(fact.payload.text, fact.source.name)
        for fact in facts
        if isinstance(fact.payload, NoteAmended)
    }
    return Written(_sections(drafted, words, site), _differences(drafted, words))


def _sections(
    drafted: Mapping[str, NoteSection], words: Mapping[str, Words], site: Site
) -> tuple[NoteSection, ...]:
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


def _differences(
    drafted: Mapping[str, NoteSection], words: Mapping[str, Words]
) -> tuple[SectionDifference, ...]:
    found = []
    for part in PARTS:
        if part.name not in words:
            continue
        text, author = words[part.name]
        before = drafted[part.name].text if part.name in drafted else ""
        if text != before:
            runs = words_runs(before, text)
            found.append(
                SectionDifference(section=part.name, title=part.title, author=author, runs=runs)
            )
    return tuple(found)
