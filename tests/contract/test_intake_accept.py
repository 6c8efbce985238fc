"""Every fact is kept once and sent once, on SQLite and on PostgreSQL."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from threading import Barrier, Thread

import pytest
from sqlalchemy import select

from schemas.envelope import Payload, new_id
from schemas.errors import InvalidInput
from schemas.facts import DocumentStored, ExposureEnded, FactWithdrawn, ImageStored, NoteSigned
from schemas.messages import parse
from services.intake.accept import Accepted, AlreadyKnown, Outcome, accept, check_natural_key
from services.intake.store import FACT, IMAGE
from services.runtime.migrate import go_back, migrate
from services.runtime.store import Store
from tests.contract.offered import AT, count, fact, keep, kept_for_a_person, sent


def test_a_new_fact_is_kept_as_told_and_sent_once(store: Store) -> None:
    # given
    message = fact(ExposureEnded)

    # when
    outcomes = keep(store, message)

    # then
    assert outcomes == [Accepted(message.natural_key, message)]
    assert sent(store) == [message]
    with store.read() as connection:
        row = connection.execute(select(FACT)).one()
    assert (row.site, row.natural_key, row.kind) == ("north", message.natural_key, message.kind)
    assert parse(row.body) == message


def test_a_resend_under_a_new_id_is_recognised_and_not_sent_again(store: Store) -> None:
    # given
    first, again = fact(ExposureEnded), fact(ExposureEnded)
    keep(store, first)

    # when
    outcomes = keep(store, again)

    # then
    assert outcomes == [AlreadyKnown(first.natural_key, str(first.id))]
    assert sent(store) == [first]
    assert kept_for_a_person(store) == []


def test_a_note_that_says_the_same_again_can_be_signed_again_and_a_resend_counts_once(
    store: Store,
) -> None:
    # given a signature that counted for nothing, since the note had just changed
    void = fact(NoteSigned)
    keep(store, void)

    # when the note says the same again, and the vet signs that
    later = replace(void, id=new_id(), occurred_at=AT + timedelta(minutes=5))
    outcomes = keep(store, later, replace(later, id=new_id()))

    # then
    assert [type(outcome) for outcome in outcomes] == [Accepted, AlreadyKnown]
    assert sent(store) == [void, later]


def test_the_same_fact_twice_in_one_batch_counts_once(store: Store) -> None:
    outcomes = keep(store, fact(ExposureEnded), fact(ExposureEnded))

    assert [type(outcome) for outcome in outcomes] == [Accepted, AlreadyKnown]
    assert len(sent(store)) == 1


@pytest.mark.parametrize("kind", [ImageStored, DocumentStored])
def test_an_object_sent_again_under_another_station_is_known(
    store: Store, kind: type[Payload]
) -> None:
    keep(store, fact(kind))

    (outcome,) = keep(store, fact(kind, station="station-2"))

    assert isinstance(outcome, AlreadyKnown)
    assert count(store, IMAGE) == 1


def test_a_fact_whose_identity_is_too_long_to_be_kept_is_refused() -> None:
    # given: the longest that the contract allows, and one that no contract checked
    longest = fact(FactWithdrawn, withdrawn_key="k" * 280)
    unchecked = FactWithdrawn.model_construct(withdrawn_key="k" * 500, reason="invented")
    too_long = replace(longest, payload=unchecked)

    # when, then
    check_natural_key(longest)
    with pytest.raises(InvalidInput, match="natural_key"):
        check_natural_key(too_long)


def test_a_transaction_that_fails_keeps_and_sends_nothing(store: Store) -> None:
    class Broken(Exception):  # noqa: N818
        pass

    with pytest.raises(Broken), store.begin() as connection:  # noqa: PT012
        accept(connection, "intake", [fact(ExposureEnded)])
        raise Broken

    assert sent(store) == []
    assert count(store, FACT) == 0


def test_many_workers_that_tell_the_same_facts_at_once_keep_each_once(store: Store) -> None:
    # given
    workers, facts_each = 4, 10
    barrier = Barrier(workers)
    outcomes: list[Outcome] = []

    def tell() -> None:
        barrier.wait()
        for number in range(facts_each):
            outcomes.extend(keep(store, fact(ExposureEnded, exposure_counter=number)))

    # when
    threads = [Thread(target=tell) for _ in range(workers)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    # then
    assert sum(isinstance(one, Accepted) for one in outcomes) == facts_each
    assert sum(isinstance(one, AlreadyKnown) for one in outcomes) == facts_each * (workers - 1)
    assert len(sent(store)) == facts_each


def test_the_tables_go_away_with_their_revision(store: Store) -> None:
    go_back(store, "0001")

    with store.read() as connection:
        assert not connection.dialect.has_table(connection, "intake_fact")
    assert migrate(store) is not None
