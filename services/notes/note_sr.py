"""A note as a DICOM Basic Text SR, by TID 2000 with 1001 to 1004, 1204, 2001 and 2002 of PS3.16.

TID 2000, 2001 and 2002 were read (2025e, 2026a), the others are from memory. Pure: the same version
of a note gives the same object, UIDs and all. It says nothing that the note does not say; a finding
is the vet's own words, never a code of ours.
"""

from collections.abc import Sequence

from pydicom.dataset import Dataset

from schemas.conclusions import Addendum, NoteSection, NoteWritten
from schemas.group import Site
from schemas.note_layout import VIEWS
from schemas.teeth import Code
from services.notes.banner import banner
from services.notes.note_sr_modules import maker_at, surround, verified_by
from services.notes.note_sr_parts import (
    ADDED,
    ADDENDUM,
    NOT_WRITTEN,
    SHOWS_VIEW,
    STANDING,
    SUMMARY,
    TITLE,
    heading_of,
    text_code,
)
from services.notes.note_time import note_time
from services.notes.note_versions import Version
from services.notes.report_items import (
    HAS_CONCEPT_MOD,
    coded,
    container,
    dcm,
    image,
    moment,
    root,
    text,
)
from services.notes.report_observers import device_observer, person_observer
from services.notes.study_shown import StudyShown
from services.notes.wording import EMPTY, EMPTY_PROMPT, title_of
from services.notes.writing import Writing

_PROCEDURE = Code("1290849002", "SCT", "Dental radiography")
_ENGLISH = Code("en", "RFC5646", "English")
"""Of titles and drafted words. The template asks for one language; a vet may write in another."""


def note_sr(note: NoteWritten, shown: StudyShown, site: Site, version: Version) -> Dataset:
    """Build the report of a note, ready to be written as a file.

    ``shown`` is what the note shows of its study: of a signed note what its signature saw.
    """
    made_at = note_time(note, shown).astimezone(site.zone)
    report = Dataset()
    surround(report, note, shown, site, version, made_at)
    pictured = [
        image(SHOWS_VIEW, one.sop_class_uid, one.sop_instance_uid)
        for one in shown.images_of_views()
        if one.sop_class_uid is not None
    ]
    items = [
        coded(dcm("121058", "Procedure reported"), _PROCEDURE, relation=HAS_CONCEPT_MOD),
        coded(
            dcm("121049", "Language of Content Item and Descendants"),
            _ENGLISH,
            relation=HAS_CONCEPT_MOD,
        ),
        *device_observer(site, maker_at(site)),
        *_verifying(note, site),
        container(SUMMARY, [text(STANDING, _standing(note, site))]),
        *(_section(one, note, site, pictured) for one in note.sections),
        *(_addendum(one, site) for one in note.addenda),
    ]
    root(report, TITLE, "2000", items)
    return report


def _verifying(note: NoteWritten, site: Site) -> list[Dataset]:
    """Name the vets whose note it is, each once, beside the device that drafted it."""
    names = dict.fromkeys(one.name for one in verified_by(note))
    return [item for name in names for item in person_observer(site, title_of(site, name))]


def _standing(note: NoteWritten, site: Site) -> str:
    head = banner(note, site, Writing.of(site))
    return f"{head}\nContent hash (SHA-256): {note.content_sha256}"


def _section(
    section: NoteSection, note: NoteWritten, site: Site, pictured: Sequence[Dataset]
) -> Dataset:
    """Write one section. Where a person's words are in it, they are the observer there."""
    items = [
        item
        for author in dict.fromkeys(
            one.author for one in note.differences if one.section == section.section
        )
        for item in person_observer(site, title_of(site, author))
    ]
    if section.text.strip():
        items.append(text(text_code(section.section, section.title), section.text))
    else:
        empty = EMPTY_PROMPT if section.for_vet else EMPTY
        items.append(text(NOT_WRITTEN, f"{section.title}: {empty}"))
    if section.section == VIEWS.name:
        items += pictured
    return container(heading_of(section.section), items)


def _addendum(addendum: Addendum, site: Site) -> Dataset:
    words = text(ADDED, addendum.text)
    words.ObservationDateTime = moment(addendum.signed_at.astimezone(site.zone))
    return container(ADDENDUM, [*person_observer(site, title_of(site, addendum.signer)), words])
