"""Postings through every fault of a record, on both stores: nothing lost, nothing doubled."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import select

from schemas.conclusions import ChargesCorrected
from schemas.envelope import Payload
from schemas.facts import ChargesReleased, ExceptionAction, PostingAnswered, PostingOutcome
from services.records import store as postings
from services.records.answers import Said, mark
from services.records.listener import Listener
from services.records.port import (
    Answer,
    CorrectionPosting,
    LateAnswer,
    PeriodClosed,
    RecordUnavailable,
)
from services.records.poster import Poster
from services.records.store import POSTINGS
from services.records.suite.samples import STUDY, charge_posting, correction_posting, credit, entry
from services.records.worker import handle
from services.runtime.store import Store
from services.runtime.worker import Work
from tests.contract.forgetful_record import ForgetfulRecord, held
from tests.contract.record_samples import charges, message
from tests.contract.record_store import open_store
from tests.handled import sent, sent_of

PATIENT: dict[str, Any] = {"patient_id": "P-1001"}


class Desk:
    """The records service over a record that knows no key again."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.record = ForgetfulRecord()
        self.now = datetime.now(UTC) + timedelta(seconds=1)
        self.poster = Poster(store, self.record, lambda: None, 0.01, lambda: self.now)
        self.listener = Listener(store, self.record, lambda: None, "example-group", 0.01)

    def take(self, *payloads: Payload) -> None:
        with self.store.begin() as connection:
            work = Work(connection, self.store)
            handle(work, [message(payload) for payload in payloads])
            work.flush("records")

    def release(self) -> None:
        self.take(ChargesReleased(study_instance_uid=STUDY))
        self.now += timedelta(seconds=1)

    def post_all(self) -> None:
        """Post, and wait out every put-off, until nothing is due."""
        for _ in range(20):
            while self.poster.post_due():
                pass
            self.now += timedelta(hours=1)

    def states(self) -> dict[int, str]:
        with self.store.read() as connection:
            rows = connection.execute(select(POSTINGS).order_by(POSTINGS.c.sequence)).all()
        return {int(row.posting_key.rsplit(":", 1)[1]): row.state for row in rows}

    def told(self) -> list[PostingAnswered]:
        return sent_of(self.store, PostingAnswered)

    def late(self, number: int, outcome: PostingOutcome) -> None:
        answer = LateAnswer(token="t", posting_key=key(number), outcome=outcome, words="later")
        self.listener._take(answer)


@pytest.fixture
def desk(database_url: str) -> Iterator[Desk]:
    store = open_store(database_url)
    yield Desk(store)
    store.close()


def key(number: int) -> str:
    return f"charge:{STUDY}:{number}"


def test_an_answer_that_is_lost_is_asked_for_and_nothing_is_held_twice(desk: Desk) -> None:
    desk.record.loses_answer_of = {key(1), key(2), key(3)}
    desk.take(charges(entry(1), credit(2, key(1)), entry(3)))

    desk.post_all()

    assert desk.record.keys() == [key(1), key(2), key(3)]
    assert desk.states() == {1: "posted", 2: "posted", 3: "posted"}
    assert [fact.record_reference for fact in desk.told()] == ["line-1", "line-2", "line-3"]


def test_what_was_accepted_before_we_were_killed_is_found_and_not_repeated(desk: Desk) -> None:
    # given: it was noted that the posting may leave, it left, and we were killed
    desk.take(charges(entry(1)))
    with desk.store.begin() as connection:
        postings.mark_sent(connection, [key(1)])
    desk.record.post_charge(charge_posting(entry(1)))

    desk.post_all()

    assert desk.record.keys() == [key(1)]
    assert desk.states() == {1: "posted"}


def test_that_a_posting_may_leave_is_durable_before_it_does(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk.take(charges(entry(1)))
    seen: list[bool] = []
    take = desk.record._take

    def look_and_take(posting: Any) -> Any:
        with desk.store.read() as connection:
            row = postings.get(connection, posting.key)
        assert row is not None
        seen.append(row.maybe_sent)
        return take(posting)

    monkeypatch.setattr(desk.record, "_take", look_and_take)

    desk.post_all()

    assert seen == [True]


def test_what_is_held_otherwise_under_the_key_is_a_task_and_stays_as_it_is(desk: Desk) -> None:
    desk.record.loses_answer_of = {key(1)}
    desk.take(charges(entry(1)))
    desk.poster.post_due()
    desk.record.lines[0] = replace(desk.record.lines[0], amount=Decimal("12.00"), code="OTHER")

    desk.post_all()

    (fact,) = desk.told()
    assert fact.outcome is PostingOutcome.REJECTED
    assert "code OTHER for INV-IO-FIRST" in (fact.words or "")
    assert "amount 12.00 for 38.00" in (fact.words or "")
    assert len(desk.record.lines) == 1


def test_of_a_ledger_taken_in_part_the_rest_is_a_task_until_a_person_releases_it(
    desk: Desk,
) -> None:
    desk.record.refuses = {key(2): "Code not in the price list (invented)"}
    desk.take(charges(entry(1), entry(2), entry(3)))
    desk.post_all()
    assert desk.states() == {1: "posted", 2: "rejected", 3: "posted"}
    assert [fact.words for fact in desk.told() if fact.outcome is PostingOutcome.REJECTED] == [
        "Code not in the price list (invented)"
    ]

    # when: the record is set right, and a person releases the charges again
    desk.record.refuses = {}
    desk.release()
    desk.post_all()

    assert desk.record.keys() == [key(1), key(3), key(2)]
    assert set(desk.states().values()) == {"posted"}
    assert desk.told()[-1].outcome is PostingOutcome.ACCEPTED


def test_a_release_where_nothing_was_rejected_sends_nothing_again(desk: Desk) -> None:
    desk.take(charges(entry(1)))
    desk.post_all()

    desk.release()
    desk.post_all()

    assert desk.record.asked == [key(1)]


def test_a_rejected_charge_that_is_reversed_is_withdrawn_with_its_credit(desk: Desk) -> None:
    desk.record.refuses = {key(1): "Account closed (invented)"}
    desk.take(charges(entry(1)))
    desk.post_all()

    desk.take(charges(entry(1), credit(2, key(1)), entry(3, replaces=key(1)), revision=2))
    desk.post_all()

    assert desk.states() == {1: "withdrawn", 2: "withdrawn", 3: "posted"}
    assert key(2) not in desk.record.asked
    assert desk.record.keys() == [key(3)]
    withdrawn = [f for f in desk.told() if f.outcome is PostingOutcome.WITHDRAWN]
    assert {fact.posting_key for fact in withdrawn} == {key(1), key(2)}
    assert all("Account closed (invented)" in (fact.words or "") for fact in withdrawn)
    desk.release()
    desk.post_all()
    assert desk.record.keys() == [key(3)], "what was withdrawn is not sent again"


def test_a_withdrawn_charge_that_the_record_takes_after_all_is_credited(desk: Desk) -> None:
    desk.record.refuses = {key(1): "Not now (invented)"}
    desk.take(charges(entry(1), credit(2, key(1))))
    desk.post_all()
    assert set(desk.states().values()) == {"withdrawn"}

    # when: the record takes it by itself, and says so later
    desk.record.lines.append(held(charge_posting(entry(1)), 1))
    desk.late(1, PostingOutcome.ACCEPTED)
    desk.post_all()

    assert desk.states() == {1: "posted", 2: "posted"}
    assert desk.record.balance() == 0


def test_a_repost_is_held_back_while_the_credit_before_it_is_rejected(desk: Desk) -> None:
    desk.take(charges(entry(1)))
    desk.post_all()
    desk.record.refuses = {key(2): "Credits need the manager (invented)"}

    desk.take(charges(entry(1), credit(2, key(1)), entry(3, replaces=key(1)), revision=2))
    desk.post_all()

    assert desk.states() == {1: "posted", 2: "rejected", 3: "rejected"}
    assert desk.record.keys() == [key(1)], "the client would be charged twice"
    words = desk.told()[-1].words or ""
    assert key(1) in words
    assert "Credits need the manager (invented)" in words

    desk.record.refuses = {}
    desk.release()
    desk.post_all()
    assert desk.record.keys() == [key(1), key(2), key(3)]


def test_a_posting_of_a_closed_period_goes_to_the_next_and_says_so(desk: Desk) -> None:
    desk.record.closed_through = date(2026, 3, 31)
    desk.take(charges(entry(1)))

    desk.post_all()

    (line,) = desk.record.lines
    assert (line.service_day, line.posting_day) == (date(2026, 3, 2), date(2026, 4, 1))
    (fact,) = desk.told()
    assert (fact.outcome, fact.posting_day) == (PostingOutcome.ACCEPTED, date(2026, 4, 1))
    assert fact.words == "the period of 2026-03-02 was closed: it stands under 2026-04-01"


def test_a_posting_that_lost_its_answer_and_moved_is_found_under_the_later_day(desk: Desk) -> None:
    desk.record.closed_through = date(2026, 3, 31)
    desk.record.loses_answer_of = {key(1)}
    desk.take(charges(entry(1)))

    desk.post_all()

    assert [line.posting_day for line in desk.record.lines] == [date(2026, 4, 1)]
    assert [fact.posting_day for fact in desk.told()] == [date(2026, 4, 1)]


def test_what_was_taken_just_before_the_books_closed_stays_in_its_period(desk: Desk) -> None:
    desk.record.loses_answer_of = {key(1)}
    desk.take(charges(entry(1)))
    desk.poster.post_due()
    desk.record.closed_through = date(2026, 3, 31)

    desk.post_all()

    assert [line.posting_day for line in desk.record.lines] == [date(2026, 3, 2)]
    assert [fact.posting_day for fact in desk.told()] == [None]


def test_a_credit_of_a_charge_in_a_closed_period_is_put_under_the_next(desk: Desk) -> None:
    desk.take(charges(entry(1)))
    desk.post_all()
    desk.record.closed_through = date(2026, 3, 31)

    desk.take(charges(entry(1), credit(2, key(1)), revision=2))
    desk.post_all()

    assert [line.posting_day for line in desk.record.lines] == [
        date(2026, 3, 2),
        date(2026, 4, 1),
    ]


def test_books_that_never_open_are_a_task_and_no_endless_round(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    closed = PeriodClosed(date(2026, 3, 2), "closed for ever (invented)")
    monkeypatch.setattr(desk.record, "_take", lambda _posting: closed)
    desk.take(charges(entry(1)))

    desk.post_all()

    assert desk.states() == {1: "rejected"}
    assert "closed for ever (invented)" in (desk.told()[0].words or "")


def test_the_same_outcome_told_at_two_times_is_two_facts(desk: Desk) -> None:
    desk.take(charges(entry(1)))
    desk.post_all()
    desk.late(1, PostingOutcome.REJECTED)
    desk.release()
    desk.post_all()

    keys = [message.natural_key for message in sent(desk.store)]
    outcomes = [fact.outcome.value for fact in desk.told()]
    assert outcomes == ["accepted", "rejected", "accepted"]
    assert len(set(keys)) == 3


def test_an_answer_is_marked_once_by_whoever_comes_first(desk: Desk) -> None:
    desk.take(charges(entry(1)))
    desk.post_all()
    with desk.store.begin() as connection:
        row = postings.get(connection, key(1))
        assert row is not None
        said = Said(PostingOutcome.ACCEPTED, "again", None)
        work = Work(connection, desk.store)
        assert not mark(work, row, said, desk.poster._source, ())


def test_a_correction_that_lost_its_answer_is_looked_for_and_not_repeated(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    # given: a record that takes the correction and whose answer is lost
    told = correction_posting("line-1")
    asked: list[str] = []

    def take_and_lose(posting: CorrectionPosting) -> Answer:
        asked.append(posting.key)
        charge = charge_posting(entry(1, posting_key=posting.key))
        desk.record.lines.append(held(charge, 1))
        raise RecordUnavailable("no answer in time (invented)")

    monkeypatch.setattr(desk.record, "correct_charge", take_and_lose)
    desk.take(
        ChargesCorrected(
            exception_id="00112233445566aa",
            action=ExceptionAction.REVERSE,
            decided_by="billing-1",
            decided_at=desk.now,
            currency="EUR",
            entries=(told.entry,),
        )
    )

    # when
    desk.post_all()

    # then
    assert asked == [told.key]
    assert [fact.outcome for fact in desk.told()] == [PostingOutcome.ACCEPTED]
