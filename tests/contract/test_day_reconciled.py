"""What the charges tell of each reconciled day, on both databases."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete, select

from schemas.conclusions import BooksReconciled, DayReconciled
from schemas.conclusions.reconciled import Class, Status
from schemas.facts import ExceptionAction, PostingOutcome
from services.charges.day_teller import DayTeller
from services.charges.reconcile_tables import DAY_DUE, DAY_TOLD
from services.runtime.migrate import migrate
from services.runtime.store import Store
from services.runtime.tables import METADATA, OUTBOX
from tests.assessed import STUDY
from tests.contract.test_reconciliation_worker import CAREFUL, DAY, OWN_GROUP, RULES, Desk
from tests.handled import sent_of

LATER = timedelta(minutes=1)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    opened = Store(database_url)
    migrate(opened)
    yield opened
    opened.close()


def teller(store: Store, rules: object = RULES) -> DayTeller:
    return DayTeller(store, OWN_GROUP, rules, 900.0, lambda: None)  # type: ignore[arg-type]


def look(one: DayTeller, at: datetime | None = None) -> None:
    at = at or datetime.now(UTC) + LATER
    while one.look(at):
        pass


def revisions(store: Store) -> list[DayReconciled]:
    return [one for one in sent_of(store, DayReconciled) if one.day == DAY]


def newest(store: Store) -> BooksReconciled:
    (books,) = revisions(store)[-1].books
    return books


def test_a_day_that_is_held_as_posted_balances_and_lists_nothing(store: Store) -> None:
    # given
    desk = Desk(store)
    desk.handle(desk.told(desk.lines()))

    # when
    look(teller(store))

    # then
    (day,) = revisions(store)
    (books,) = day.books
    assert day.revision == 1
    assert day.read_at is not None
    assert books.totals is not None
    assert (books.totals.due, books.totals.posted, books.totals.held) == (Decimal("39.20"),) * 3
    assert (books.totals.waiting, books.totals.refused) == (Decimal("0.00"),) * 2
    assert books.exceptions == ()


def test_the_same_is_not_told_again_and_a_change_is_the_next_revision(store: Store) -> None:
    desk = Desk(store)
    desk.handle(desk.told(desk.lines()))
    own = teller(store)
    look(own)

    desk.handle(desk.answered(desk.ledger[0].posting_key))
    look(own)
    assert [one.revision for one in revisions(store)] == [1]

    desk.handle(desk.told(desk.lines(amount=Decimal("83.00")), after_s=60))
    look(own)
    assert [one.revision for one in revisions(store)] == [1, 2]
    (found,) = newest(store).exceptions
    assert (found.kind, found.due, found.held) == (
        Class.AMOUNT_CHANGED,
        Decimal("38.00"),
        Decimal("83.00"),
    )
    assert found.images


def test_what_the_record_took_since_it_was_read_is_not_missing_before_it_is_read_again(
    store: Store,
) -> None:
    # given: accepted, and the record's lines were never read
    desk = Desk(store)
    own = teller(store)
    look(own)
    assert newest(store).exceptions == ()
    totals = newest(store).totals
    assert totals is not None
    assert (totals.unread, totals.held, totals.outstanding) == (
        Decimal("39.20"),
        Decimal("0.00"),
        Decimal("0.00"),
    )

    # when: it is read, and lacks them
    desk.handle(desk.told([], after_s=60))
    look(own)

    # then
    books = newest(store)
    assert {one.kind for one in books.exceptions} == {Class.MISSING}
    assert books.totals is not None
    assert (books.totals.unread, books.totals.outstanding) == (Decimal("0.00"), Decimal("39.20"))


def test_a_refusal_is_told_in_the_records_own_words_and_apart_from_what_waits(
    store: Store,
) -> None:
    desk = Desk(store)
    key = desk.ledger[0].posting_key
    desk.handle(desk.answered(key, PostingOutcome.REJECTED, after_s=30))

    look(teller(store))

    books = newest(store)
    (found,) = books.exceptions
    assert (found.posting_key, found.record_words) == (key, "invented")
    assert books.totals is not None
    assert (books.totals.refused, books.totals.waiting) == (Decimal("38.00"), Decimal("0.00"))


def test_a_decision_and_its_second_are_told_with_who_and_when(store: Store) -> None:
    # given: above the group's amount
    desk = Desk(store, CAREFUL)
    double = desk.lines()[0].model_copy(update={"line_id": "L-9"})
    desk.handle(desk.told([*desk.lines(), double]))
    own = teller(store, CAREFUL)
    (one,) = desk.listed()

    # when
    desk.handle(desk.decided(one, ExceptionAction.ACCEPT, "billing-1"))
    look(own)
    (first,) = newest(store).exceptions
    desk.handle(desk.countersigned(one, ExceptionAction.ACCEPT, "lead-1"))
    look(own)
    (second,) = newest(store).exceptions

    # then
    assert (first.status, first.needs_second) == (Status.WAITS_FOR_SECOND, True)
    assert first.decision is not None
    assert (first.decision.by, first.decision.second) == ("billing-1", None)
    assert second.decision is not None
    assert (second.status, second.decision.second) == (Status.ACCEPTED, "lead-1")
    totals = newest(store).totals
    assert totals is not None
    assert totals.outstanding == Decimal("0.00")


def test_time_alone_makes_a_posting_late_and_the_day_is_told_again(store: Store) -> None:
    # given: one posting without an answer, and today is the day of the work
    desk = Desk(store)
    with store.begin() as connection:
        answers = METADATA.tables["charges_answer"]
        connection.execute(delete(answers))
    own = teller(store)
    noon = datetime(2026, 3, 2, 12, tzinfo=UTC)
    with store.begin() as connection:
        connection.execute(DAY_DUE.update().values(due_at=noon))
    look(own, noon)
    assert newest(store).exceptions == ()

    # when
    look(own, noon + timedelta(days=RULES.late_after_days + 1))

    # then
    assert {one.kind for one in newest(store).exceptions} == {Class.LATE}
    assert len(desk.ledger) == len(newest(store).exceptions)


@given(st.data())
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_any_order_ends_in_the_same_day_and_every_telling_balances(
    store: Store, data: st.DataObject
) -> None:
    # given: an empty store
    with store.begin() as connection:
        for table in reversed(METADATA.sorted_tables):
            own_one = table.name.startswith("charges_") and table.name != "charges_audit"
            if own_one or table is OUTBOX:
                connection.execute(delete(table))
    desk = Desk(store)
    key = desk.ledger[0].posting_key
    facts = [
        desk.answered(key, PostingOutcome.REJECTED, after_s=30),
        desk.answered(key, PostingOutcome.ACCEPTED, after_s=90),
        desk.told(desk.lines(amount=Decimal("83.00")), after_s=60),
        desk.told([*desk.lines(), desk.lines()[0].model_copy(update={"line_id": "L-9"})], 120),
    ]
    own = teller(store)

    order = data.draw(st.permutations(range(4)))
    looks = data.draw(st.lists(st.booleans(), min_size=4, max_size=4))

    # when: told in any order, and looked at after each or not
    for number, looked in zip(order, looks, strict=True):
        desk.handle(facts[number])
        if looked:
            look(own)
    look(own)

    # then: every message was read back by the contract, which refuses what does not balance
    assert [one.revision for one in revisions(store)] == list(range(1, len(revisions(store)) + 1))
    (found,) = newest(store).exceptions
    assert found.study_instance_uid == STUDY, "that of the charge which is held twice"
    assert (found.kind, found.line_id, found.at_stake) == (Class.DOUBLED, "L-9", Decimal("38.00"))
    with store.read() as connection:
        kept = connection.execute(select(DAY_TOLD).where(DAY_TOLD.c.day == DAY)).one()
    assert kept.revision == revisions(store)[-1].revision
