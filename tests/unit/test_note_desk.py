"""What the notes desk says: differences between revisions, outcomes of what was sent, ages."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from schemas.conclusions import (
    Addendum,
    NoteSection,
    NoteWritten,
    SectionDifference,
    Signature,
    WordsOp,
)
from schemas.facts import (
    NoteAddended,
    NoteAmended,
    NoteReleased,
    NoteSigned,
    PostingOutcome,
)
from schemas.teeth import Species
from services.console.answers import Answer
from services.console.notes.comparing import changes_between
from services.console.notes.desk import drawn
from services.console.notes.outcomes import Outcome, deed
from services.console.notes.pictures import Pictures
from services.console.notes.sent_store import NoteFact, Sent
from services.console.notes.words import age_words, own_words
from services.runtime.kept_images import find_image, image_place
from tests.assessed import GROUP, START, STUDY
from tests.console_told import note
from tests.noted import full_mouth

SITE = GROUP.site("north")
SIGNED = NoteSigned(study_instance_uid=STUDY, note_sha256="1" * 64, signer="vet-1")
AMENDED = NoteAmended(study_instance_uid=STUDY, section="views", text="Two of 4, invented.")
ADDED = NoteAddended(study_instance_uid=STUDY, text="Invented addendum.", signer="vet-1")


def sent(fact: NoteFact, key: str = "a key") -> Sent:
    return Sent("north", key, STUDY, "north/vet-1", START, 1, fact)


def told_of(
    fact: NoteFact,
    found: NoteWritten | None,
    refusals: dict[str, str] | None = None,
    answers: dict[str, Answer] | None = None,
    after_s: float = 5.0,
) -> tuple[Outcome, str, str | None]:
    now = START + timedelta(seconds=after_s)
    one = deed(sent(fact), found, answers or {}, refusals or {}, now)
    return one.outcome, one.words, one.next_action


def signed_by(name: str, sha256: str = "1" * 64, **values: Any) -> NoteWritten:
    signature = Signature(signer=name, signed_at=START, content_sha256=sha256, final=True)
    return note(2, signer=name, signed_at=START, signatures=(signature,), **values)


def test_a_signature_is_done_once_the_note_bears_it() -> None:
    assert told_of(SIGNED, note(1))[0] is Outcome.SENT
    assert told_of(SIGNED, None)[0] is Outcome.SENT
    assert told_of(SIGNED, signed_by("vet-1")) == (Outcome.DONE, "Signed.", None)


def test_a_signature_that_another_vet_was_before_is_told_as_not_taken() -> None:
    outcome, words, next_action = told_of(SIGNED, signed_by("vet-2"))

    assert outcome is Outcome.REFUSED
    assert "vet-2 has signed the note before" in words
    assert next_action is not None


def test_a_refusal_gives_what_was_expected_and_the_next_action() -> None:
    outcome, words, next_action = told_of(SIGNED, note(2), {"a key": "the note as it stands"})

    assert outcome is Outcome.REFUSED
    assert "the note as it stands" in words
    assert next_action is not None
    assert "read it" in next_action


def test_what_has_no_result_for_long_says_not_to_do_it_again() -> None:
    assert told_of(SIGNED, note(1), after_s=5)[2] is None
    late = told_of(SIGNED, note(1), after_s=120)[2]
    assert late is not None
    assert "do not do it again" in late


@pytest.mark.parametrize(
    "text",
    [
        AMENDED.text,
        f"{AMENDED.text}\n\n(Written by Invented Vet (vet-1).) The device data say:\n1 of 4",
    ],
)
def test_a_change_is_done_once_its_section_says_it(text: str) -> None:
    section = NoteSection(section="views", title="Views", text=text)

    assert told_of(AMENDED, note(2, sections=(section,)))[0] is Outcome.DONE
    assert told_of(AMENDED, note(2))[0] is Outcome.SENT


def test_a_change_that_came_after_the_signature_is_told_as_not_in_the_note() -> None:
    assert told_of(AMENDED, signed_by("vet-2"))[0] is Outcome.REFUSED


def test_an_addendum_is_done_once_it_is_in_the_note() -> None:
    added = Addendum(text=ADDED.text, signer="vet-1", signed_at=START)

    assert told_of(ADDED, signed_by("vet-1"))[0] is Outcome.SENT
    assert told_of(ADDED, signed_by("vet-1", addenda=(added,)))[0] is Outcome.DONE


def test_a_release_waits_for_an_answer_that_is_newer_than_it() -> None:
    released = NoteReleased(study_instance_uid=STUDY)
    before = Answer(START - timedelta(minutes=1), PostingOutcome.REJECTED, "no")
    after = Answer(START + timedelta(minutes=1), PostingOutcome.REJECTED, "no")

    assert told_of(released, note(1), answers={"note:1": before})[0] is Outcome.SENT
    assert told_of(released, note(1), answers={"note:1": after})[0] is Outcome.DONE


SECTIONS = st.dictionaries(
    st.sampled_from(["patient", "views", "dose", "interpretation"]),
    st.text(alphabet="ab \n", max_size=12),
)


@given(SECTIONS, SECTIONS)
@settings(max_examples=60, deadline=None)
def test_from_the_changes_both_revisions_are_read_back(
    before: dict[str, str], now: dict[str, str]
) -> None:
    def sections(of: dict[str, str]) -> list[NoteSection]:
        return [NoteSection(section=name, title=name, text=text) for name, text in of.items()]

    changes = {one.section: one for one in changes_between(sections(before), sections(now))}

    for name in before.keys() | now.keys():
        if before.get(name) == now.get(name):
            assert name not in changes
            continue
        runs = changes[name].runs
        was = "".join(run.text for run in runs if run.op is not WordsOp.ADDED)
        says = "".join(run.text for run in runs if run.op is not WordsOp.REMOVED)
        assert (was, says) == (before.get(name, ""), now.get(name, ""))


def test_one_goes_on_writing_ones_own_words_and_not_the_device_data() -> None:
    below = "Mine.\n\n(Written by Invented Vet (vet-1).) The device data say:\n1 of 4"
    section = NoteSection(section="views", title="Views", text=below)
    runs = ({"op": "removed", "text": "1 of 4"}, {"op": "added", "text": "Mine."})
    difference = SectionDifference.model_validate(
        {"section": "views", "title": "Views", "author": "vet-1", "runs": runs}, strict=False
    )

    assert own_words(note(1, sections=(section,), differences=(difference,)), section) == "Mine."
    assert own_words(note(1, sections=(section,)), section) == "Mine."


@pytest.mark.parametrize(
    ("hours", "words"),
    [(0.0, "under 1 h"), (1.0, "1 h"), (47.9, "47 h"), (48.0, "2 d 0 h"), (100.5, "4 d 4 h")],
)
def test_an_age_is_in_hours_for_two_days_and_then_in_days(hours: float, words: str) -> None:
    assert age_words(hours) == words


def test_an_image_is_found_where_it_is_kept_and_on_the_days_beside(tmp_path: Path) -> None:
    for days in (-1, 0, 1):
        uid = f"2.25.{days + 5}"
        path = tmp_path / image_place(SITE, uid, START + timedelta(days=days))
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        assert find_image(tmp_path, SITE, uid, START) == path
    assert find_image(tmp_path, SITE, "2.25.404", START) is None


def test_the_kept_pictures_stay_below_their_bound(tmp_path: Path) -> None:
    pictures = Pictures(tmp_path, kept_bytes=3_000)
    for number in range(30):
        path = tmp_path / image_place(SITE, f"2.25.7{number}", START)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(b"no DICOM file")
        shown = pictures._picture(SITE, f"2.25.7{number}", START)
        assert shown.png is None
        assert pictures.kept_bytes <= 3_000
    assert pictures.kept_bytes > 2_000


def test_a_tooth_without_its_view_is_never_called_missing() -> None:
    study = full_mouth("dog-full-mouth", Species.DOG)

    words = {group.words for group in drawn(study).groups}

    assert "not shown by a diagnostic view (question mark)" in words
    assert not any("missing" in one for one in words)
    assert drawn(None).charts == ()
