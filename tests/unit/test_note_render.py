"""Rendering: nothing hostile gets through, and a draft says in words that it is one."""

from dataclasses import replace
from html.parser import HTMLParser

import pytest

from schemas.conclusions import (
    Addendum,
    ImageUse,
    NoteSection,
    NoteState,
    Question,
    ViewStatus,
)
from schemas.facts.desk import NoteAddended, NoteAmended, NoteSigned
from schemas.group import Site
from schemas.note_layout import PARTS
from services.notes.banner import DRAFT_BANNER
from services.notes.content import SignedNote
from services.notes.lifecycle import take_assessment, take_fact
from services.notes.note_file import NoteFile
from services.notes.note_now import NoteNow, note_now
from services.notes.render import NoteTemplates
from services.notes.view import Form
from tests.assessed import (
    DOSE,
    GROUP,
    START,
    STUDY,
    assessed,
    exposure,
    image,
    message,
    patient,
    view,
)

SITE = GROUP.site("north")
TEMPLATES = NoteTemplates.load()
HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>\" ' & {{ 7 * 7 }} {% raw %}"


class _Page(HTMLParser):
    """Collects a page's tags, attributes and words."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.words: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def _note(text: str = "Invented words.") -> NoteNow:
    study = assessed(images=[image(1)], views=(view(1),), indication=text)
    note = note_now(take_assessment(NoteFile(), study, SITE)[0], SITE)
    assert note is not None
    return note


def _signed(note: NoteNow) -> NoteNow:
    signed = SignedNote(
        sections=note.sections,
        content_sha256=note.content_sha256,
        signer="vet-1",
        signed_at=START,
        patient_id=note.patient_id,
        told=note.sections,
    )
    return replace(note, state=NoteState.SIGNED, signer="vet-1", signed=signed)


def test_hostile_text_is_words_on_the_page_and_nothing_else() -> None:
    note = _note(HOSTILE)
    addendum = Addendum(text=HOSTILE, signer="vet-1", signed_at=START)
    hostile = NoteSection(section="views", title=HOSTILE, text=HOSTILE)
    note = replace(_signed(note), sections=(*note.sections, hostile), addenda=(addendum,))

    page = _Page(TEMPLATES.html(note, SITE))

    assert "".join(page.words).count(HOSTILE) == 4
    assert not {"script", "img", "iframe", "link"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on")]


def _hostile_note() -> tuple[NoteNow, Site]:
    """Put a script into every text that a note is made of, those of the group too."""
    hurt = patient().model_copy(update={"name": HOSTILE, "breed": HOSTILE})
    dose = DOSE.model_copy(update={"words": HOSTILE, "comparators": (HOSTILE,)})
    study = assessed(
        images=[image(1, ImageUse.REPEAT, words=HOSTILE)],
        views=(view(1, ViewStatus.EXCUSED, words=HOSTILE, title=HOSTILE),),
        exposures=(exposure(1),),
        patient=hurt,
        patient_id=HOSTILE[:64],
        accession_number=HOSTILE[:64],
        indication=HOSTILE,
        plan_title=HOSTILE,
        still_missing=(HOSTILE,),
        questions=(Question(code="which-view", words=HOSTILE),),
        dose=dose,
        anaesthesia_confirmed_by="vet-1",
    )
    people = tuple(one.model_copy(update={"title": HOSTILE}) for one in SITE.people)
    site = SITE.model_copy(update={"title": HOSTILE, "people": people})
    file, _ = take_assessment(NoteFile(), study, site)
    for part in PARTS:
        if part.amendable:
            words = NoteAmended(study_instance_uid=STUDY, section=part.name, text=HOSTILE)
            file = take_fact(file, message(words, person="vet-1", at=START), site)
    draft = note_now(file, site)
    assert draft is not None
    for signer in ("trainee-1", "vet-1"):
        signature = NoteSigned(
            study_instance_uid=STUDY,
            note_sha256=draft.content_sha256,
            signer=signer,
            reauthenticated_at=START,
        )
        file = take_fact(file, message(signature, person=signer, at=START), site)
    addendum = NoteAddended(
        study_instance_uid=STUDY, text=HOSTILE, signer="vet-1", reauthenticated_at=START
    )
    note = note_now(take_fact(file, message(addendum, person="vet-1"), site), site)
    assert note is not None
    return note, site


@pytest.mark.parametrize("form", Form)
def test_a_script_in_any_text_of_a_note_is_words_on_the_page(form: Form) -> None:
    note, site = _hostile_note()

    page = _Page(TEMPLATES.html(note, site, form))
    plain = _Page(TEMPLATES.html(_note(), SITE, form))

    assert page.open == []
    assert set(page.tags) - set(plain.tags) <= {"section"}
    assert {name for name, _ in page.attributes} == {name for name, _ in plain.attributes}
    assert all("alert" not in (value or "") for _, value in page.attributes)
    assert "".join(page.words).count("<script>alert(1)</script>") >= 25


def test_the_short_form_says_less_and_leaves_out_no_caution_nor_limitation() -> None:
    note = _note()

    full, short = (TEMPLATES.text(note, SITE, form) for form in Form)

    assert len(short) < len(full)
    assert "short form" in short
    assert DRAFT_BANNER in short
    assert "more line" in short
    for name in ("limitations", "cautions", "views", "repeats"):
        assert next(one.text for one in note.sections if one.section == name) in short
    assert "Basis: modelled from the settings." in short


def test_what_a_person_wrote_is_whole_in_the_short_form() -> None:
    words = "\n".join(f"line {number}" for number in range(40))
    amended = NoteAmended(study_instance_uid=STUDY, section="technique", text=words)
    file, _ = take_assessment(NoteFile(), assessed(images=[image(1)]), SITE)
    note = note_now(take_fact(file, message(amended, person="vet-1"), SITE), SITE)
    assert note is not None

    assert words in TEMPLATES.text(note, SITE, Form.SHORT)


def test_abbreviations_that_a_vet_used_are_spelled_out_and_no_others() -> None:
    words = "309 T/FX/EF, PD2. ANOther AB/CDX not one."
    amended = NoteAmended(study_instance_uid=STUDY, section="interpretation", text=words)
    file, _ = take_assessment(NoteFile(), assessed(images=[image(1)]), SITE)
    note = note_now(take_fact(file, message(amended, person="vet-1"), SITE), SITE)
    assert note is not None

    text = TEMPLATES.text(note, SITE)

    assert "T/FX/EF: enamel fracture\n" in text
    assert "PD2: periodontal disease, stage 2\n" in text
    assert "anodontia" not in text
    assert "abrasion" not in text
    assert "Abbreviations" not in TEMPLATES.text(_note(), SITE)


def test_the_page_is_well_formed_and_can_be_found_one_s_way_in() -> None:
    page = _Page(TEMPLATES.html(_note(), SITE))

    assert page.open == []
    assert ("lang", "en") in page.attributes
    assert {"title", "header", "main", "footer", "h1"} <= set(page.tags)
    ids = [value for name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    assert [value for name, value in page.attributes if name == "aria-labelledby"] == ids


def test_a_draft_says_in_words_that_it_is_one_and_a_signed_note_does_not() -> None:
    draft = _note()

    for rendered in (TEMPLATES.text(draft, SITE), TEMPLATES.html(draft, SITE)):
        assert DRAFT_BANNER in rendered
        assert "Signed by" not in rendered
    for rendered in (TEMPLATES.text(_signed(draft), SITE), TEMPLATES.html(_signed(draft), SITE)):
        assert "NOT SIGNED" not in rendered
        assert "Signed by Invented Vet (vet-1), 2026-03-02 10:20 CET." in rendered


def test_every_section_stands_in_text_and_page_and_empty_prompts_say_so() -> None:
    note = _note()
    text, page = TEMPLATES.text(note, SITE), "".join(_Page(TEMPLATES.html(note, SITE)).words)

    for section in note.sections:
        for rendered in (text, page):
            assert section.title in rendered
            assert section.text in rendered
    assert text.count("(empty: the vet has written nothing here)") == 2
    assert page.count("Empty: the vet has written nothing here.") == 2
    assert note.content_sha256 in text


def test_plain_text_keeps_characters_as_they_are() -> None:
    assert HOSTILE in TEMPLATES.text(_note(HOSTILE), SITE)
