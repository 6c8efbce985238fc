"""A note as PDF for the archive: PDF/A-2a (ISO 19005-2) and PDF/UA-1 (ISO 14289-1), tagged.

The library makes and claims both. By the same version of it the same note gives the same bytes,
on another machine too, unless a character in it needs a font of the machine. Made from the note
as data; its text and HTML forms are not read.
"""

import json
from collections.abc import Sequence
from importlib.resources import files
from typing import Any, NamedTuple

import typst

from schemas.conclusions import NoteWritten
from schemas.errors import GomphosisError
from schemas.group import Site
from services.notes.banner import banner
from services.notes.chart_states import charts_of
from services.notes.note_time import note_time
from services.notes.pdf_characters import lines_of, showable
from services.notes.study_shown import StudyShown
from services.notes.tooth_chart import chart_title, chart_words, tooth_chart_svg
from services.notes.wording import EMPTY, EMPTY_PROMPT, named
from services.notes.writing import Writing
from services.runtime.thumbnails import Thumbnail

DRAFT_MARK = "DRAFT, NOT SIGNED. Not a diagnosis."
CAUTION = "Local codes and licensed veterinary practice come before anything written here."
PICTURES_CAUTION = "Small pictures to tell the views apart. Nothing is to be read from them."


class ViewPicture(NamedTuple):
    """A view's title and its small picture, or why there is none."""

    title: str
    picture: Thumbnail


class PdfNotMade(GomphosisError):  # noqa: N818 - read as a sentence
    """The library did not take the note; ``reason`` is its own words."""

    def __init__(self, study_instance_uid: str, reason: str) -> None:
        self.field, self.value, self.expected = "note", study_instance_uid, "a note to be set"
        super().__init__(f"study {study_instance_uid}: the PDF could not be made ({reason})")


def note_pdf(
    note: NoteWritten,
    shown: StudyShown,
    site: Site,
    pictures: Sequence[ViewPicture] = (),
) -> bytes:
    """Make the PDF of a note; the tooth chart is drawn from what is ``shown`` of its study.

    Raises
    ------
    PdfNotMade
        If the library refuses the note.
    """
    charts = charts_of(shown)
    content = _content(note, shown, site)
    content["charts"] = [
        {"title": chart_title(one.species, one.dentition), "words": chart_words(*one)}
        for one in charts
    ]
    content["pictures"] = [_picture(one) for one in pictures]
    words = showable(content)
    drawings = [tooth_chart_svg(*one) for one in charts]
    try:
        return typst.compile(
            files("services.notes").joinpath("templates/note.typ").read_bytes(),
            ignore_system_fonts=not words.needs_system_fonts,
            format="pdf",
            sys_inputs={
                "note": json.dumps(words.content),
                "charts": json.dumps(drawings),
                "pictures": json.dumps([list(one.picture.png or b"") for one in pictures]),
            },
            pdf_standards=["a-2a", "ua-1"],
            timestamp=note_time(note, shown),
        )
    except typst.TypstError as error:
        raise PdfNotMade(note.study_instance_uid, error.message) from error


def _content(note: NoteWritten, shown: StudyShown, site: Site) -> dict[str, Any]:
    """Give all that the template sets, but the drawings."""
    writing = Writing.of(site)
    signed = note.signer is not None and note.signed_at is not None
    head = banner(note, site, writing)
    created = note_time(note, shown)
    language, _, region = writing.language.partition("-")
    return {
        "title": f"Imaging note, {site.title}",
        "author": _author(note, site),
        "description": head,
        "lang": language,
        "region": region or None,
        "created": {
            part: getattr(created, part)
            for part in ("year", "month", "day", "hour", "minute", "second")
        },
        "signed": signed,
        "banner": head,
        "mark": head if signed else DRAFT_MARK,
        "whose": _whose(note),
        "caution": CAUTION,
        "sections": [
            {
                "title": section.title,
                "lines": lines_of(section.text),
                "prompt": section.for_vet,
                "empty": EMPTY_PROMPT if section.for_vet else EMPTY,
            }
            for section in note.sections
        ],
        "addenda": [
            {
                "title": f"Addendum by {named(site, one.signer)}, {writing.moment(one.signed_at)}",
                "lines": lines_of(one.text),
            }
            for one in note.addenda
        ],
        "drawn_from": _drawn_from(note, shown),
        "pictures_title": "Small pictures of the views",
        "pictures_caution": PICTURES_CAUTION,
        "hash": f"Content hash (SHA-256): {note.content_sha256}",
    }


def _author(note: NoteWritten, site: Site) -> str:
    if note.signer is None:
        return "Drafted from device data, no author has signed"
    return f"{named(site, note.signer)}, signing vet"


def _whose(note: NoteWritten) -> str:
    accession = f", accession {note.accession_number}" if note.accession_number else ""
    return f"Patient {note.patient_id}{accession}"


def _drawn_from(note: NoteWritten, shown: StudyShown) -> str:
    """Say what the drawing shows. What came after a signature is no part of a signed page."""
    words = f"Drawn from the device data as assessed at revision {shown.assessment_revision}"
    if note.signed_at is None:
        words += "."
    elif shown.at_signature:
        words += ", which is what was signed; the content hash is over the words alone."
    else:
        words += ", and not as they stood at the signature, which was kept without them."
    return f"{words} It says what was imaged and nothing about the teeth's health."


def _picture(one: ViewPicture) -> dict[str, str]:
    return {
        "title": one.title,
        "words": one.picture.words,
        "alt": f"Small X-ray picture: {one.title}",
    }
