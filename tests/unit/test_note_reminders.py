"""When a note has waited too long for its signature: a function of now and of the note."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from schemas.conclusions import StudyState
from schemas.facts.desk import NoteSigned
from schemas.group import Site
from services.notes.lifecycle import take_assessment, take_fact
from services.notes.note_file import NoteFile
from services.notes.note_now import note_now
from services.notes.reminders import (
    age_hours,
    reminder_due,
    reminders_passed,
    waits_for_signature,
)
from tests.assessed import GROUP, START, STUDY, assessed, image, message, view

SITE = GROUP.site("north").model_copy(update={"remind_unsigned_after_hours": (4.0, 24.0)})
CLOSED = assessed(1, [image(1)], views=(view(1),), closed=True)
FILE = take_assessment(NoteFile(), CLOSED, SITE)[0]
HOURS = st.floats(0, 200)


def _after(hours: float) -> datetime:
    return START + timedelta(hours=hours)


def _signed_by(who: str) -> NoteFile:
    note = note_now(FILE, SITE)
    assert note is not None
    payload = NoteSigned(
        study_instance_uid=STUDY,
        note_sha256=note.content_sha256,
        signer=who,
        reauthenticated_at=START,
    )
    return take_fact(FILE, message(payload, person=who), SITE)


def test_a_note_is_as_old_as_the_clock_says_and_never_younger_than_new() -> None:
    assert age_hours(START, _after(1000.0)) == 1000.0
    assert age_hours(START, _after(-1.0)) == 0.0


@pytest.mark.parametrize(
    ("hours", "reminded", "reminder"),
    [
        (3.9, 0, None),
        (4.0, 0, 1),
        (23.9, 1, None),
        (24.0, 1, 2),
        (99.0, 0, 2),
        (99.0, 2, None),
        (-5.0, 0, None),
    ],
)
def test_a_reminder_is_due_at_each_of_the_sites_hours(
    hours: float, reminded: int, reminder: int | None
) -> None:
    task = reminder_due(FILE, START, reminded, _after(hours), SITE)

    assert (task.reminder if task else None) == reminder


def test_a_reminder_says_how_old_the_note_is_and_what_it_waits_for() -> None:
    alone = reminder_due(FILE, START, 0, _after(5), SITE)
    after_trainee = reminder_due(_signed_by("trainee-1"), START, 0, _after(5), SITE)

    assert alone is not None
    assert (alone.age_hours, alone.waits_for, alone.trainee) == (5.0, "signature", None)
    assert alone.waiting_since == START
    assert "5 hours" in alone.words
    assert after_trainee is not None
    assert (after_trainee.waits_for, after_trainee.trainee) == ("cosignature", "trainee-1")


def test_a_signed_note_waits_no_more() -> None:
    signed = _signed_by("vet-1")

    assert waits_for_signature(FILE)
    assert not waits_for_signature(signed)
    assert reminder_due(signed, START, 0, _after(99), SITE) is None


@pytest.mark.parametrize(
    "values",
    [{"closed": False}, {"training": True}, {"state": StudyState.CANCELLED, "images": ()}],
)
def test_what_is_no_finished_work_waits_for_nobody(values: dict[str, object]) -> None:
    file, _ = take_assessment(NoteFile(), CLOSED.model_copy(update=values), SITE)

    assert not waits_for_signature(file)
    assert not waits_for_signature(NoteFile())


@given(HOURS, HOURS)
def test_the_older_a_note_the_more_reminders_have_passed(one: float, other: float) -> None:
    younger, older = sorted((one, other))

    passed = [reminders_passed(START, _after(hours), SITE) for hours in (younger, older)]

    assert passed == sorted(passed)
    assert passed[1] <= len(SITE.remind_unsigned_after_hours)


@given(st.lists(HOURS, max_size=20))
def test_however_often_one_looks_each_reminder_is_told_at_most_once(looks: list[float]) -> None:
    reminded, told = 0, []
    for hours in sorted(looks):
        task = reminder_due(FILE, START, reminded, _after(hours), SITE)
        if task is not None:
            reminded = task.reminder
            told.append(task.natural_key(datetime.now(UTC)))

    assert len(told) == len(set(told)) <= 2


@pytest.mark.parametrize("hours", [[24.0, 4.0], [4.0, 4.0], [0.0], [-1.0]])
def test_hours_that_do_not_rise_or_are_none_are_refused(hours: list[float]) -> None:
    with pytest.raises(ValidationError):
        Site.model_validate(Site.EXAMPLES[0] | {"remind_unsigned_after_hours": hours})
