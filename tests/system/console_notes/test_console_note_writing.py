"""Writing at the notes desk, adding, releasing; comparing revisions; pictures; free text."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser

from schemas.facts import NoteReleased, PostingOutcome
from tests.assessed import WHOLE_PATIENT, assessed, image, view
from tests.console_support import PASSWORD
from tests.console_told import answered, told
from tests.intake_support import make_image
from tests.notes_day import HOSTILE
from tests.notes_desk import (
    FINDING,
    NotesDesk,
    address,
    amend,
    closed,
    fields_of,
    signing,
)


class Tags(HTMLParser):
    """Finds what would run: scripts that are not our files, and attributes that act."""

    def __init__(self) -> None:
        super().__init__()
        self.acting: list[str] = []

    @classmethod
    def of(cls, page: str) -> list[str]:
        parser = cls()
        parser.feed(page)
        return parser.acting

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        own = (told.get("src") or "/").startswith("/") and not (
            tag == "script" and "src" not in told
        )
        if not own or any(name.startswith("on") or name == "style" for name in told):
            self.acting.append(self.get_starttag_text() or tag)


def test_words_for_a_section_that_changed_meanwhile_are_kept_only_after_a_look(
    desk: NotesDesk, uid: str
) -> None:
    # given: both opened it before either wrote
    desk.assess(closed(uid))
    with desk.browser("trainee-1") as other, desk.browser() as client:
        page = client.get(address(uid)).text
        amend(desk, other, uid, "Words of the trainee, invented.")
        desk.settle()
        form = next(
            one
            for number in range(page.count('/amend"'))
            if (one := fields_of(page, "amend", number))["section"] == FINDING
        )

        # when
        answer = desk.post(client, uid, "amend", **form, text="Words of the vet, invented.")

        # then
        assert answer.status_code == 409
        assert "<del>" in answer.text
        assert "Words of the vet, invented." in answer.text
        again = fields_of(answer.text, "amend")
        desk.post(client, uid, "amend", **again, text="Words of both, invented.")
    desk.settle()
    told_text = {one.section: one.text for one in desk.note(uid).sections}
    assert told_text[FINDING] == "Words of both, invented."


def test_a_proposed_addendum_is_written_signed_and_shown(desk: NotesDesk, uid: str) -> None:
    # given: an image that came after the signature
    desk.assess(closed(uid))
    with desk.browser() as client:
        signing(desk, client, uid)
        desk.settle()
        images = [image(1), image(2, view="view-2")]
        given = {"study_instance_uid": uid, "views": (view(1), view(2)), "closed": True}
        later = assessed(2, images, **given)
        desk.assess(later)
        assert "patient" in client.get("/sites/north/notes?show=addendum").text
        page = client.get(address(uid)).text
        assert "An addendum is proposed" in page
        assert "The device data changed after signing." in page

        # when
        form = fields_of(page, "addend")
        text = "A further view came, invented.\r\nNothing else changes."
        assert (
            desk.post(client, uid, "addend", **form, text=text, typed=PASSWORD).status_code == 303
        )
        desk.settle()

        # then
        note = desk.note(uid)
        assert note.addenda[0].text == "A further view came, invented.\nNothing else changes."
        assert note.addendum_proposal is None
        assert "Addendum by Invented Vet (vet-1)" in client.get(f"{address(uid)}/print").text


def test_a_refused_note_shows_the_records_words_and_a_vet_or_lead_lets_it_go_out_again(
    desk: NotesDesk, uid: str
) -> None:
    # given
    desk.assess(closed(uid))
    key = f"note:{uid}:{desk.note(uid).revision}"
    desk.hear(answered(key, PostingOutcome.REJECTED, 5, uid))
    with desk.browser("technician-1") as client:
        assert desk.post(client, uid, "release").status_code == 403

    # when
    with desk.browser("lead-1") as client:
        listed = client.get("/sites/north/notes?show=refused").text
        assert "Account closed (invented)" in listed
        page = client.get(address(uid)).text
        form = fields_of(page, "release")
        assert desk.post(client, uid, "release", **form).status_code == 303

        # then
        (fact,) = desk.facts(uid)
        assert (fact.kind, fact.source.name) == (NoteReleased.KIND, "lead-1")
        assert "Release, patient P-1001" in client.get("/sites/north/notes").text
        later = int((fact.occurred_at - told(closed(uid)).occurred_at) / timedelta(minutes=1)) + 1
        desk.hear(answered(key, PostingOutcome.ACCEPTED, later, uid))
        assert "The record has answered again." in client.get("/sites/north/notes").text


def test_every_free_text_of_a_note_is_shown_as_text(desk: NotesDesk, uid: str) -> None:
    # given
    short = HOSTILE[:60]
    whose = WHOLE_PATIENT.model_copy(update={"name": short, "breed": short})
    hostile = closed(
        uid,
        patient=whose,
        indication=HOSTILE,
        plan_title=HOSTILE,
        views=(view(1, title=HOSTILE, words=HOSTILE),),
        accession_number=short[:16],
        room=None,
    )
    desk.assess(hostile)
    with desk.browser() as client:
        amend(desk, client, uid, HOSTILE)
        desk.settle()
        amend(desk, client, uid, HOSTILE, "indication")
        pages = [client.get(address(uid)).text]
        desk.settle()
        key = f"note:{uid}:{desk.note(uid).revision}"
        refused = answered(key, PostingOutcome.REJECTED, 5, uid)
        words = refused.payload.model_copy(update={"words": HOSTILE})
        desk.hear(replace(refused, payload=words))
        pages += [client.get(f"{address(uid)}{more}").text for more in ("", "/compare", "/print")]
        pages.append(client.get("/sites/north/notes?show=refused").text)
        signing(desk, client, uid)
        desk.settle()
        form = fields_of(client.get(address(uid)).text, "addend")
        desk.post(client, uid, "addend", **form, text=HOSTILE, typed=PASSWORD)
        pages.append(client.get(address(uid)).text)
        desk.settle()
        pages += [client.get(f"{address(uid)}{more}").text for more in ("", "/print", "/compare")]

    # then
    for page in pages:
        assert "onerror=" in page, "it is shown"
        assert Tags.of(page) == []


def test_two_revisions_are_compared_word_by_word(desk: NotesDesk, uid: str) -> None:
    desk.assess(closed(uid))
    with desk.browser() as client:
        amend(desk, client, uid, "first words, invented")
        desk.settle()
        amend(desk, client, uid, "second words, invented")
        desk.settle()
        page = client.get(f"{address(uid)}/compare").text
        assert re.search(r"<del>.*first.*</del>", page)
        assert re.search(r"<ins>.*second.*</ins>", page)
        whole = client.get(f"{address(uid)}/compare?before=1&after=3").text
        assert "<del>" not in whole
        assert client.get(f"{address(uid)}/compare?before=99").status_code == 404


def test_a_picture_is_of_the_study_and_the_site_or_there_is_none(desk: NotesDesk, uid: str) -> None:
    # given: the image of one study is on the disk
    shown = image(1)
    desk.assess(closed(uid), assessed(1, study_instance_uid="2.25.9", closed=True))
    folder = desk.intake.images / "north" / "2026" / "03" / "02"
    folder.mkdir(parents=True)
    with desk.browser() as client, desk.browser("vet-1", "south") as stranger:
        url = f"{address(uid)}/pictures/{shown.sop_instance_uid}"
        missing = client.get(url)
        make_image(1).save_as(folder / f"{shown.sop_instance_uid}.dcm", enforce_file_format=True)
        found = client.get(url)
        other = client.get(f"{address('2.25.9')}/pictures/{shown.sop_instance_uid}")
        elsewhere = client.get(f"{address(uid)}/pictures/..%2F..%2Fgroup%2Fgroup.yaml")
        refused = stranger.get(url)

    # then
    assert missing.headers["content-type"].startswith("image/svg")
    assert "not on this machine" in re.sub(r"<[^>]+>", " ", missing.text).replace("  ", " ")
    assert found.content.startswith(b"\x89PNG")
    assert found.headers["vary"] == "Cookie"
    assert other.status_code == 404
    assert elsewhere.status_code == 404
    assert refused.status_code == 403


def test_unknown_notes_and_places_are_told_in_words(desk: NotesDesk, uid: str) -> None:
    desk.assess(closed(uid))
    with desk.browser() as client:
        assert client.get(address("2.25.404")).status_code == 404
        assert client.get("/sites/north/notes?show=nonsense").status_code == 422
        assert client.get("/sites/north/notes?after=nonsense").status_code == 404
        stranger = client.get(f"/sites/south/notes/{uid}")
    assert stranger.status_code == 403
