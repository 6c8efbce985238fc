"""Rendering: nothing hostile gets through, and a draft says in words that it is one."""

from dataclasses import replace
from html.parser import HTMLParser

from schemas.conclusions import Addendum, NoteSection, NoteState
from services.notes.content import SignedNote
from services.notes.lifecycle import NoteFile, NoteNow, note_now, take_assessment
from services.notes.render import DRAFT_BANNER, render_html, render_text
from tests.assessed import GROUP, START, assessed, image, view

SITE = GROUP.site("north")
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

    page = _Page(render_html(note, SITE))

    assert "".join(page.words).count(HOSTILE) == 4
    assert not {"script", "img", "iframe", "link"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on")]


def test_the_page_is_well_formed_and_can_be_found_one_s_way_in() -> None:
    page = _Page(render_html(_note(), SITE))

    assert page.open == []
    assert ("lang", "en") in page.attributes
    assert {"title", "header", "main", "footer", "h1"} <= set(page.tags)
    ids = [value for name, value in page.attributes if name == "id"]
    assert len(ids) == len(set(ids))
    assert [value for name, value in page.attributes if name == "aria-labelledby"] == ids


def test_a_draft_says_in_words_that_it_is_one_and_a_signed_note_does_not() -> None:
    draft = _note()

    for rendered in (render_text(draft, SITE), render_html(draft, SITE)):
        assert DRAFT_BANNER in rendered
        assert "Signed by" not in rendered
    for rendered in (render_text(_signed(draft), SITE), render_html(_signed(draft), SITE)):
        assert "NOT SIGNED" not in rendered
        assert "Signed by Invented Vet (vet-1), 2026-03-02 10:20 CET." in rendered


def test_every_section_stands_in_text_and_page_and_empty_prompts_say_so() -> None:
    note = _note()
    text, page = render_text(note, SITE), "".join(_Page(render_html(note, SITE)).words)

    for section in note.sections:
        for rendered in (text, page):
            assert section.title in rendered
            assert section.text in rendered
    assert text.count("(empty: the vet has written nothing here)") == 2
    assert page.count("Empty: the vet has written nothing here.") == 2
    assert note.content_sha256 in text


def test_plain_text_keeps_characters_as_they_are() -> None:
    assert HOSTILE in render_text(_note(HOSTILE), SITE)
