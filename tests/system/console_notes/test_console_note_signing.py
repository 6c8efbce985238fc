"""Signing at the notes desk: who may, what was read, and what becomes of it.

The first test wants a desk at which no note waits, so it comes before all others of the folder.
"""

from __future__ import annotations

import re

import pytest

from tests.console_support import PASSWORD
from tests.notes_desk import (
    FINDING,
    NotesDesk,
    address,
    amend,
    closed,
    fields_of,
    signing,
)


@pytest.mark.timeout(400)  # forty slow comparisons of a password
@pytest.mark.drill
def test_twenty_notes_are_signed_one_after_the_other_though_no_result_has_come(
    desk: NotesDesk, uid: str
) -> None:
    # given: from the list, the oldest first
    studies = [f"2.25.5{number:03d}" for number in range(20)]
    desk.assess(*(closed(uid) for uid in studies))
    with desk.browser() as client:
        listed = client.get("/sites/north/notes").text
        found = re.search(r'href="(/sites/north/notes/2[^"?]+)', listed)
        assert found is not None
        where = found[1]

        # when: each leads to the next, while nothing is known of those before
        walked = []
        while (study := where.partition("?")[0].rpartition("/")[2]) != "notes":
            walked.append(study)
            answer = signing(desk, client, study)
            assert answer.status_code == 303, answer.text
            where = answer.headers["location"]

        # then
        assert len(walked) == len(set(walked))
        assert set(studies) <= set(walked)
        assert "waiting for the result" in client.get("/sites/north/notes").text
        desk.settle()
        assert {desk.note(uid).signer for uid in studies} == {"vet-1"}
        text = client.get("/sites/north/notes").text
        assert "No note waits for a person." in text
        assert "Signed." in text


def test_a_note_that_changed_since_it_was_read_is_not_signed_and_the_change_is_shown(
    desk: NotesDesk, uid: str
) -> None:
    # given
    desk.assess(closed(uid))
    with desk.browser() as client:
        form = fields_of(client.get(address(uid)).text, "sign")
        amend(desk, client, uid, "Came meanwhile, invented.")
        desk.settle()

        # when
        answer = desk.post(client, uid, "sign", **form, typed=PASSWORD)

    # then
    assert answer.status_code == 409
    assert "Nothing was signed" in answer.text
    assert re.search(r"<ins>.*Came meanwhile, invented\.", answer.text)
    assert [fact.kind for fact in desk.facts(uid)] == ["note_amended"]


def test_what_the_console_has_not_heard_yet_the_notes_service_refuses_and_the_page_says_so(
    desk: NotesDesk, uid: str
) -> None:
    # given: a change that the console does not know of
    desk.assess(closed(uid))
    with desk.browser() as client:
        form = fields_of(client.get(address(uid)).text, "sign")
    with desk.browser("trainee-1") as other:
        amend(desk, other, uid, "Words of a trainee, invented.")
    desk.settle(console=False)
    with desk.console.runtime.store.begin() as connection:
        connection.exec_driver_sql("DELETE FROM console_sent")  # another console's

    # when
    with desk.browser() as client:
        assert desk.post(client, uid, "sign", **form, typed=PASSWORD).status_code == 303
        assert "waiting for the result" in client.get("/sites/north/notes").text
        desk.settle()
        text = client.get("/sites/north/notes").text

    # then
    assert "Refused. Expected:" in text
    assert "read it again, then sign" in text
    assert desk.note(uid).signer is None


@pytest.mark.parametrize("name", ["technician-1", "lead-1"])
def test_who_may_not_sign_sees_no_form_and_is_refused(desk: NotesDesk, uid: str, name: str) -> None:
    desk.assess(closed(uid))
    with desk.browser(name) as client:
        page = client.get(address(uid))
        seen = desk.note(uid).content_sha256
        answers = [
            desk.post(client, uid, "sign", seen=seen, typed=PASSWORD),
            desk.post(client, uid, "amend", section=FINDING, was="0" * 64, text="no"),
            desk.post(client, uid, "addend", text="no", typed=PASSWORD),
        ]

    assert page.status_code == 200
    assert "licensed vet of this site" in page.text
    assert 'type="password"' not in page.text
    assert "<textarea" not in page.text
    assert [one.status_code for one in answers] == [403, 403, 403]
    assert desk.facts(uid) == []


def test_a_vet_who_reaches_every_site_does_not_sign_for_another(desk: NotesDesk, uid: str) -> None:
    desk.assess(closed(uid))
    with desk.browser("vet-all", "south") as client:
        page = client.get(address(uid))
        seen = desk.note(uid).content_sha256
        answer = desk.post(client, uid, "sign", seen=seen, typed=PASSWORD)

    assert "a vet of the site where the images were taken" in page.text
    assert answer.status_code == 403
    assert desk.facts(uid) == []


def test_a_wrong_password_signs_nothing_and_the_note_is_still_there_to_try_again(
    desk: NotesDesk, uid: str
) -> None:
    desk.assess(closed(uid))
    with desk.browser() as client:
        answer = signing(desk, client, uid, "an invented wrong one")
        assert answer.status_code == 403
        assert "not your password" in answer.text
        assert desk.facts(uid) == []

        again = fields_of(answer.text, "sign")
        assert desk.post(client, uid, "sign", **again, typed=PASSWORD).status_code == 303
    desk.settle()
    assert desk.note(uid).signer == "vet-1"


def test_a_doubled_click_makes_one_fact(desk: NotesDesk, uid: str) -> None:
    desk.assess(closed(uid))
    with desk.browser() as client:
        form = fields_of(client.get(address(uid)).text, "sign")
        answers = [desk.post(client, uid, "sign", **form, typed=PASSWORD) for _ in range(2)]

    assert [one.status_code for one in answers] == [303, 303]
    assert len(desk.facts(uid)) == 1


def test_nobody_signs_while_a_change_is_on_its_way(desk: NotesDesk, uid: str) -> None:
    desk.assess(closed(uid))
    with desk.browser() as client:
        form = fields_of(client.get(address(uid)).text, "sign")
        amend(desk, client, uid, "Invented.")
        page = client.get(address(uid)).text
        answer = desk.post(client, uid, "sign", **form, typed=PASSWORD)

    assert "Sent, waiting for the result." in page
    assert "You can sign once the note shows it." in page
    assert answer.status_code == 409
    assert [fact.kind for fact in desk.facts(uid)] == ["note_amended"]


def test_a_trainee_signs_first_and_a_vet_after(desk: NotesDesk, uid: str) -> None:
    # given
    desk.assess(closed(uid))
    with desk.browser("trainee-1") as client:
        assert "a vet signs after you" in client.get(address(uid)).text
        assert signing(desk, client, uid).status_code == 303
    desk.settle()

    # then
    assert desk.page(uid).line.waits_for == "cosignature"
    with desk.browser() as client:
        listed = client.get("/sites/north/notes?show=cosignature").text
        assert "Invented Trainee (trainee-1)" in listed
        assert "Sign after the trainee" in client.get(address(uid)).text
        signing(desk, client, uid)
    desk.settle()
    note = desk.note(uid)
    assert [(one.signer, one.final) for one in note.signatures] == [
        ("trainee-1", False),
        ("vet-1", True),
    ]
