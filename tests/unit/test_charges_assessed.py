"""A study's charges beside their lines: whose they are, when due, what the record said."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from schemas.conclusions import ChargesAssessed, ImageUse, LedgerEntry
from schemas.facts import PostingAnswered, PostingOutcome
from schemas.tariffs import load_tariffs
from services.charges.assess import ChargedStudy, assess_charges
from tests.assessed import STUDY, assessed, image

DAY = date(2026, 3, 2)
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
TARIFF = load_tariffs().on("invented-2026", DAY)
KEY = f"charge:{STUDY}:1"

Known = tuple[ChargedStudy, tuple[LedgerEntry, ...]]


def charged(study: ChargedStudy, entries: tuple[LedgerEntry, ...] = ()) -> Known:
    after, added = assess_charges(study, entries, TARIFF, UTC)
    return after, (*entries, *added)


def closed(**values: Any) -> ChargedStudy:
    return ChargedStudy(assessment=assessed(images=[image(1)], closed=True, **values))


def told(study: ChargedStudy) -> ChargesAssessed:
    snapshot = charged(study)[0].snapshot
    assert snapshot is not None
    return snapshot


def answer(outcome: PostingOutcome, **values: Any) -> PostingAnswered:
    return PostingAnswered(posting_key=KEY, study_instance_uid=STUDY, outcome=outcome, **values)


def test_before_its_assessment_a_study_has_no_charges() -> None:
    assert charged(ChargedStudy()) == (ChargedStudy(), ())


def test_they_say_whose_they_are_and_by_which_tariff() -> None:
    one = told(closed())

    assert (one.patient_id, one.account, one.species, one.plan, one.tariff) == (
        "P-1001", "ACC-1001", "dog", "dog-mandible-left", "invented-2026",
    )  # fmt: skip
    assert one.prices_include_tax is True
    assert told(closed(patient=None)).species is None
    assert (one.revision, one.assessment_revision) == (1, 1)


def test_they_are_due_once_the_study_is_closed_or_released_and_stay_so() -> None:
    running = ChargedStudy(assessment=assessed(images=[image(1)]))

    before, nothing = charged(running)
    after, entries = charged(replace(before, released=True), nothing)
    reopened, same = charged(replace(after, released=False), entries)

    assert before.snapshot is not None
    assert (before.snapshot.due, nothing) == (False, ())
    assert after.snapshot is not None
    assert (after.snapshot.due, len(entries), after.revision) == (True, 2, 2)
    assert (reopened.revision, same) == (2, entries)


def test_only_what_is_new_makes_a_revision() -> None:
    before, entries = charged(closed())

    again = replace(before, assessment=assessed(7, images=[image(1)], closed=True))

    assert charged(again, entries) == (again, entries)


def test_what_an_image_shows_is_told_where_it_is_known() -> None:
    bare = image(3, ImageUse.EXTRA, teeth=())
    toothless, viewless = image(2, teeth=()), image(4, ImageUse.EXTRA)
    study = assessed(images=[bare, viewless, toothless, image(1)])

    shown = told(ChargedStudy(assessment=study)).shown

    assert [(one.sop_instance_uid[-1], one.view, len(one.teeth)) for one in shown] == [
        ("1", "view-1", 3), ("2", "view-2", 0), ("4", None, 3),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "shown"),
    [("Account is on hold.", "Account is on hold."), (None, "(the record gave no reason)")],
)
def test_what_the_record_rejected_is_a_task_in_its_words(words: str | None, shown: str) -> None:
    study, entries = charged(closed())

    rejected = study.answered(answer(PostingOutcome.REJECTED, words=words), AT)
    after, _ = charged(rejected, entries)

    assert after.snapshot is not None
    assert [(one.posting_key, one.words) for one in after.snapshot.tasks] == [(KEY, shown)]
    assert after.snapshot.moved == ()


@pytest.mark.parametrize(
    ("outcome", "day", "moved"),
    [
        (PostingOutcome.ACCEPTED, DAY + timedelta(days=30), True),
        (PostingOutcome.ACCEPTED, DAY, False),
        (PostingOutcome.ACCEPTED, None, False),
        (PostingOutcome.REJECTED, DAY + timedelta(days=30), False),
    ],
)
def test_what_was_accepted_under_a_later_day_says_so(
    outcome: PostingOutcome, day: date | None, moved: bool
) -> None:
    study, entries = charged(closed())

    after, _ = charged(study.answered(answer(outcome, posting_day=day), AT), entries)

    assert after.snapshot is not None
    found = [(one.posting_key, one.posting_day) for one in after.snapshot.moved]
    assert found == ([(KEY, day)] if moved else [])


def test_of_two_answers_to_a_posting_the_newer_counts() -> None:
    study = ChargedStudy().answered(answer(PostingOutcome.ACCEPTED), AT)
    later = answer(PostingOutcome.REJECTED)

    assert study.answered(later, AT) is study
    assert study.answered(later, AT - timedelta(seconds=1)) is study
    newer = study.answered(later, AT + timedelta(seconds=1))
    assert newer.answers[KEY].outcome is PostingOutcome.REJECTED
