"""What the notes desk and the charge desk read of the read model, on both databases."""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

import pytest
from sqlalchemy import Connection

from schemas.conclusions import NoteState, StudyState
from schemas.errors import InvalidInput
from schemas.facts import PostingOutcome
from services.console import (
    paging,
    views_charges,
    views_notes,
)
from services.console.charges.bills import bills_of_day
from services.console.paging import Page
from services.console.views_notes import NoteLine
from services.runtime.store import Store
from tests.assessed import START, STUDY
from tests.console_told import (
    DAY,
    OTHER,
    a_day,
    answered,
    charges,
    hear,
    note,
    study,
    told,
)


def test_notes_that_wait_come_oldest_first_and_signed_ones_not_at_all(store: Store) -> None:
    for number in range(3):
        uid = f"2.25.{number}"
        hear(store, [told(study(3 - number, uid, closed=True)), told(note(1, uid))])
    signed = note(2, "2.25.1", state=NoteState.SIGNED, signer="vet-1", signed_at=START)
    hear(store, [told(signed)])

    with store.read() as connection:
        waiting = views_notes.waiting_notes(connection, ["north"])
        everything = views_notes.all_notes(connection, "north")
        counted = views_notes.count_waiting(connection, "north")

    assert {one.study_instance_uid for one in waiting.rows} == {"2.25.0", "2.25.2"}
    ages = [one.since for one in waiting.rows if one.since is not None]
    assert len(ages) == 2
    assert ages == sorted(ages)
    assert len(everything.rows) == 3
    assert counted == {"signature": 2}


def test_a_running_a_training_and_an_empty_cancelled_study_ask_for_no_signature(
    store: Store,
) -> None:
    hear(store, [told(study(1, "2.25.1")), told(note(1, "2.25.1"))])
    hear(store, [told(study(1, "2.25.2", closed=True, training=True)), told(note(1, "2.25.2"))])
    cancelled = study(1, "2.25.3", closed=True, state=StudyState.CANCELLED)
    hear(store, [told(cancelled.model_copy(update={"images": ()})), told(note(1, "2.25.3"))])

    with store.read() as connection:
        assert views_notes.waiting_notes(connection, None).rows == ()


def test_a_refused_note_shows_the_records_words_until_it_is_taken(store: Store) -> None:
    hear(store, [told(study(1)), told(note(1))])
    hear(store, [answered("note:2.25.1001:1", PostingOutcome.REJECTED, 5)])
    with store.read() as connection:
        page = views_notes.one_note(connection, "north", STUDY)
    assert page is not None
    assert page.line.refused == "Account closed (invented)"
    assert page.study is not None

    hear(store, [answered("note:2.25.1001:1", PostingOutcome.ACCEPTED, 6)])
    with store.read() as connection:
        page = views_notes.one_note(connection, "north", STUDY)
    assert page is not None
    assert page.line.refused is None


def test_pages_of_notes_follow_each_other_without_gap_or_double(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paging, "PAGE_ROWS", 4)
    uids = [f"2.25.{number}" for number in range(11)]
    hear(store, [told(study(1, uid, closed=True)) for uid in uids])
    hear(store, [told(note(1, uid)) for uid in uids])

    asks: list[Callable[[Connection, str | None], Page[NoteLine]]] = [
        lambda connection, after: views_notes.waiting_notes(connection, None, after),
        lambda connection, after: views_notes.all_notes(connection, "north", after),
    ]
    for ask in asks:
        found: list[str] = []
        after: str | None = None
        with store.read() as connection:
            while True:
                page = ask(connection, after)
                found += [one.study_instance_uid for one in page.rows]
                after = page.next
                if after is None:
                    break
        assert sorted(found) == sorted(uids)


@pytest.mark.parametrize("place", ["", "x", "W10", "WyJhIl0", "//8", "bnVsbA"])
def test_a_place_that_no_page_gave_is_refused(store: Store, place: str) -> None:
    with store.read() as connection, pytest.raises(InvalidInput, match="after"):
        views_notes.waiting_notes(connection, None, place)


def test_a_month_adds_up_by_day_and_by_site_to_the_cent(store: Store) -> None:
    hear(store, [told(study(1)), told(study(1, OTHER, day=DAY + timedelta(days=3)))])
    hear(store, [told(charges(3)), told(charges(2, OTHER))])
    hear(store, [answered("charge:2.25.1001:1", PostingOutcome.ACCEPTED, 5)])

    with store.read() as connection:
        found = views_charges.month(connection, None, DAY)

    (whole,) = found.whole
    assert (whole.studies, whole.total, whole.posted) == (2, Decimal("190.00"), Decimal("38.00"))
    assert (whole.waiting, whole.waiting_amount) == (4, Decimal("152.00"))
    assert sum(day.total.total for day in found.days) == whole.total
    assert sum(site.total.total for site in found.sites) == whole.total


def test_what_the_record_refused_is_an_exception_with_its_reason_one_step_away(
    store: Store,
) -> None:
    hear(store, [told(study(1)), told(charges(2)), told(study(1, OTHER)), told(charges(1, OTHER))])
    hear(store, [answered("charge:2.25.1001:2", PostingOutcome.REJECTED, 5)])

    with store.read() as connection:
        (line,) = views_charges.exceptions(connection, ["north"]).rows
        page = views_charges.one_bill(connection, "north", STUDY)
        of_day = bills_of_day(connection, "north", DAY)

    assert (line.study_instance_uid, line.total.refused) == (STUDY, 1)
    assert page is not None
    assert page.answers["charge:2.25.1001:2"].words == "Account closed (invented)"
    assert page.charges.lines[0].images == ("2.25.2001",)
    assert len(of_day.rows) == 2


def test_decisions_about_exceptions_are_listed(store: Store) -> None:
    hear(store, a_day())

    with store.read() as connection:
        (one,) = views_charges.corrections(connection, "north").rows

    assert one.decided_by == "billing-1"
