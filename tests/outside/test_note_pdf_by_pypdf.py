"""The note's PDF, read by pypdf: text in order, tags, language, and what it says it conforms to.

Outside: pypdf (text, objects); XMP of PDF/A (ISO 19005-2, 6.6.4) and of PDF/UA (ISO 14289-1,
clause 5), tags and language of ISO 32000-1, 14.7 to 14.9 (clauses from memory). No independent
validator of PDF/A is at hand: the rest of both profiles is what the typesetting library claims.
"""

import io
import re
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from pypdf import PdfReader

from schemas.conclusions import (
    Addendum,
    NoteSection,
    NoteState,
    NoteWritten,
    Signature,
    StudyAssessed,
)
from schemas.teeth import Species
from services.notes.banner import DRAFT_BANNER
from services.notes.pdf import CAUTION, DRAFT_MARK, ViewPicture, note_pdf
from services.notes.study_shown import study_shown
from services.runtime.thumbnails import NOT_SHOWN_HERE, Thumbnail, grey_png
from tests.assessed import START
from tests.noted import SITE, full_mouth, noted

PNG = grey_png(np.arange(48, dtype=np.uint8).reshape(6, 8) * 5)
MOUTHS = [("dog-full-mouth", Species.DOG), ("cat-full-mouth", Species.CAT)]
HOSTILE = '#panic("no") *bold* _thin_ $x^2$ @ref \\ <label> `raw` = head ~ [box] // gone'


def pages(made: bytes) -> list[str]:
    """Give each page's text with single spaces."""
    reader = PdfReader(io.BytesIO(made), strict=True)
    return [" ".join(page.extract_text().split()) for page in reader.pages]


def body(made: bytes) -> str:
    """Give the text of all pages without what stands at the head and foot of each."""
    whole = " ".join(pages(made))
    whole = re.sub(rf"{re.escape(CAUTION)} Page \d+ of \d+", "", whole)
    whole = re.sub(rf"{re.escape(DRAFT_MARK)} Patient \S+, accession \S+", "", whole)
    return " ".join(whole.split())


def catalog(made: bytes) -> Any:
    return PdfReader(io.BytesIO(made)).trailer["/Root"]


def tags(made: bytes) -> list[tuple[str, str | None]]:
    """Walk the structure tree: each element's role and alternative text, in reading order."""
    found: list[tuple[str, str | None]] = []

    def walk(element: Any) -> None:
        element = element.get_object() if hasattr(element, "get_object") else element
        if isinstance(element, list):
            for one in element:
                walk(one)
        elif isinstance(element, dict):
            if "/S" in element:
                alt = element.get("/Alt")
                found.append((str(element["/S"]), str(alt) if alt is not None else None))
            if "/K" in element:
                walk(element["/K"])

    walk(catalog(made)["/StructTreeRoot"]["/K"])
    return found


def pictures(study: StudyAssessed) -> list[ViewPicture]:
    titles = [one.title for one in study.views][:3]
    made = [Thumbnail(PNG), Thumbnail(PNG), Thumbnail(None, NOT_SHOWN_HERE)]
    return [ViewPicture(*one) for one in zip(titles, made, strict=True)]


def signed(study: StudyAssessed, **values: Any) -> NoteWritten:
    told: dict[str, Any] = {"state": NoteState.SIGNED, "signer": "vet-1", "signed_at": START}
    return noted(study, **(told | values))


@pytest.mark.parametrize(("code", "species"), MOUTHS)
def test_the_text_is_the_note_s_own_lines_in_their_order(code: str, species: Species) -> None:
    study = full_mouth(code, species)
    note = noted(study)

    text = body(note_pdf(note, study_shown(study), SITE, pictures(study)))

    place = text.index(DRAFT_BANNER)
    for section in note.sections:
        lines = section.text.splitlines() or ["the vet has written nothing here"]
        for line in (section.title, *lines):
            found = text.find(" ".join(line.split()), place)
            assert found >= 0, line
            place = found + len(line)
    assert text.index(NOT_SHOWN_HERE) > place
    assert text.endswith(note.content_sha256)


@pytest.mark.parametrize(("code", "species"), MOUTHS)
def test_it_is_tagged_has_a_language_and_says_what_it_conforms_to(
    code: str, species: Species
) -> None:
    study = full_mouth(code, species)
    site = SITE.model_copy(update={"locale": "en_GB"})
    made = note_pdf(noted(study, site), study_shown(study), site, pictures(study))
    root = catalog(made)

    assert root["/MarkInfo"]["/Marked"].value is True
    assert root["/Lang"] == "en-GB"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"].value is True
    xmp = ElementTree.fromstring(root["/Metadata"].get_data().decode())
    said = {one.tag: one.text for one in xmp.iter() if one.text and one.text.strip()}
    assert said["{http://www.aiim.org/pdfa/ns/id/}part"] == "2"
    assert said["{http://www.aiim.org/pdfa/ns/id/}conformance"] == "A"
    assert said["{http://www.aiim.org/pdfua/ns/id/}part"] == "1"
    info = PdfReader(io.BytesIO(made)).metadata
    assert info is not None
    assert info.title == "Imaging note, Invented Hospital North"
    assert info.author == "Drafted from device data, no author has signed"


@pytest.mark.parametrize(("code", "species"), MOUTHS)
def test_headings_descend_and_each_drawing_has_words_in_its_place(
    code: str, species: Species
) -> None:
    study = full_mouth(code, species)
    note = noted(study)
    found = tags(note_pdf(note, study_shown(study), SITE, pictures(study)))
    roles = [role for role, _ in found]

    # Sections, the tooth chart and the pictures.
    assert roles.count("/H1") == 1
    assert roles.count("/H2") == len(note.sections) + 2
    assert not {"/H3", "/H4"} & set(roles)
    alternatives = [alt for role, alt in found if role == "/Figure"]
    chart, *small = alternatives
    assert chart is not None
    assert chart.startswith(f"Tooth chart: {species}, permanent teeth. Shown by a diagnostic view:")
    shown = [one.title for one in study.views][:2]
    assert small == [f"Small X-ray picture: {title}" for title in shown]


def test_every_page_of_a_draft_says_so_and_no_page_of_a_signed_note_does() -> None:
    study = full_mouth("dog-full-mouth", Species.DOG)
    draft_pages = pages(note_pdf(noted(study), study_shown(study), SITE))
    signed_pages = pages(note_pdf(signed(study), study_shown(study), SITE))

    assert len(draft_pages) > 1
    for number, page in enumerate(draft_pages, 1):
        assert DRAFT_MARK in page
        assert CAUTION in page
        assert f"Page {number} of {len(draft_pages)}" in page
        assert "Patient P-1001, accession A1001" in page
    for page in signed_pages:
        assert "NOT SIGNED" not in page
        assert "Signed by Invented Vet (vet-1), 2026-03-02 10:20 CET." in page
        assert CAUTION in page


def test_markup_in_any_text_is_set_as_it_was_written() -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    people = tuple(one.model_copy(update={"title": f"vet {HOSTILE}"}) for one in SITE.people)
    site = SITE.model_copy(update={"title": f"site {HOSTILE}", "people": people})
    section = NoteSection(section="views", title=f"head {HOSTILE}", text=f"line {HOSTILE}")
    prompt = section.model_copy(update={"title": f"prompt {HOSTILE}", "text": "", "for_vet": True})
    note = signed(
        study,
        sections=(section, prompt),
        patient_id=f"id {HOSTILE}"[:64],
        accession_number="#*_$@\\",
        addenda=(Addendum(text=f"more {HOSTILE}", signer="vet-1", signed_at=START),),
    )
    small = [ViewPicture(f"view {HOSTILE}", Thumbnail(PNG))]
    small += [ViewPicture("none", Thumbnail(None, f"why {HOSTILE}"))]

    made = note_pdf(note, study_shown(study), site, small)
    text = " ".join(pages(made))

    for field in ("site", "vet", "head", "line", "prompt", "more", "view", "why"):
        assert f"{field} {HOSTILE}" in text, field
    assert f"{note.patient_id}, accession #*_$@\\" in text
    info = PdfReader(io.BytesIO(made)).metadata
    assert info is not None
    assert info.title == f"Imaging note, site {HOSTILE}"
    assert info.author == f"vet {HOSTILE} (vet-1), signing vet"
    assert f"Small X-ray picture: view {HOSTILE}" in [alt for _, alt in tags(made)]


def test_a_character_without_a_glyph_is_named_by_its_number_and_stops_nothing() -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    words = "µGy ≤ Zoë Ž Привет \x00 \ue000 \U0010fffe \u202e end " + "x" * 400
    note = noted(study, sections=(NoteSection(section="views", title="Views", text=words),))

    text = body(note_pdf(note, study_shown(study), SITE))

    assert "µGy ≤ Zoë Ž Привет [U+0000] [U+E000] [U+10FFFE] [U+202E] end" in text
    assert re.sub(r"[\s\u200b]", "", text).count("x" * 400) == 1


def test_a_text_in_a_script_that_no_font_has_is_named_whole_and_in_bounded_work() -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    # Cuneiform, which the fonts that a server has do not hold; nearly a thousand signs.
    signs = [chr(0x12000 + number) for number in range(900)]
    note = noted(study, sections=(NoteSection(section="views", title="V", text=" ".join(signs)),))

    text = body(note_pdf(note, study_shown(study), SITE))

    shown = [sign for sign in signs if f"[U+{ord(sign):04X}]" in text or sign in text]
    assert shown == signs


def test_a_draft_that_a_trainee_signed_says_that_it_waits_for_a_vet() -> None:
    study = full_mouth("cat-full-mouth", Species.CAT)
    note = noted(study)
    by_trainee = Signature(
        signer="trainee-1", signed_at=START, content_sha256=note.content_sha256, final=False
    )
    of_older_words = by_trainee.model_copy(
        update={"signer": "trainee-2", "content_sha256": "0" * 64}
    )
    update = {"signatures": (of_older_words, by_trainee), "needs_cosign": True}

    first, *rest = pages(note_pdf(note.model_copy(update=update), study_shown(study), SITE))

    waits = "Signed by a trainee (Invented Trainee (trainee-1), 2026-03-02 10:20 CET); waits for"
    assert f"{DRAFT_BANNER} {waits} a vet's signature." in first
    assert all(DRAFT_MARK in page for page in (first, *rest))


def test_the_same_note_gives_the_same_bytes_dated_by_the_note() -> None:
    study = full_mouth("dog-full-mouth", Species.DOG)
    moment = START.replace(day=5, microsecond=250_000)
    later = Addendum(text="Invented.", signer="vet-1", signed_at=moment)
    note = signed(study, addenda=(later,))

    one, two = (note_pdf(note, study_shown(study), SITE, pictures(study)) for _ in range(2))

    assert one == two
    info = PdfReader(io.BytesIO(one)).metadata
    assert info is not None
    assert info.creation_date == START.replace(day=5)
    assert info.modification_date == START.replace(day=5)


def test_a_signed_note_s_drawing_is_what_was_signed_and_what_came_after_is_not_in_it() -> None:
    study = full_mouth("dog-full-mouth", Species.DOG, revision=7)
    note = signed(study, addendum_proposal="Views: an invented change.")

    text = " ".join(pages(note_pdf(note, study_shown(study, at_signature=True), SITE)))

    assert "as assessed at revision 7, which is what was signed;" in text
    assert "an invented change" not in text


def test_a_note_signed_before_its_drawing_was_kept_says_that_it_is_of_a_later_state() -> None:
    study = full_mouth("dog-full-mouth", Species.DOG, revision=7)

    text = " ".join(pages(note_pdf(signed(study), study_shown(study), SITE)))

    assert "as assessed at revision 7, and not as they stood at the signature" in text


def test_without_a_plan_or_species_there_is_a_note_and_no_chart() -> None:
    study = full_mouth("dog-full-mouth", Species.DOG, patient=None)
    made = note_pdf(noted(study), study_shown(study), SITE)

    assert "/Figure" not in {role for role, _ in tags(made)}
    assert "Tooth chart" not in " ".join(pages(made))
