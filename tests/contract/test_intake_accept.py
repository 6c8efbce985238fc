"""Every fact is kept once and sent once, on SQLite and on PostgreSQL."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from threading import Barrier, Thread
from typing import Any

import pytest
from sqlalchemy import func, select

from schemas.channels import Exchange
from schemas.conclusions import NoteWritten
from schemas.envelope import Message, Payload, Source, new_id
from schemas.errors import InvalidInput
from schemas.facts import (
    DocumentStored,
    ExposureEnded,
    FactWithdrawn,
    ImageStored,
    NoteAddended,
    NoteSigned,
    OrderCancelled,
    OrderPlaced,
)
from schemas.group import Group
from schemas.messages import parse, read_payload
from services.intake import worklist_store
from services.intake.accept import (
    Accepted,
    AlreadyKnown,
    Conflict,
    Outcome,
    accept,
    check_natural_key,
)
from services.intake.store import FACT, IMAGE
from services.intake.worker import offered_facts
from services.runtime import triage
from services.runtime.migrate import go_back, migrate
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from services.runtime.worker import Work
from tests.intake_support import GROUP

OUR_GROUP = Group.model_validate_json(json.dumps(GROUP))
AT = datetime(2026, 3, 2, 9, 20, tzinfo=UTC)


@pytest.fixture
def store(database_url: str) -> Iterator[Store]:
    made = Store(database_url)
    migrate(made)
    yield made
    made.close()


def fact(payload: type[Payload], site: str = "north", **changes: Any) -> Message[Payload]:
    told = payload.EXAMPLES[0] | changes
    return Message(
        id=new_id(),
        group="invented-group",
        site=site,
        occurred_at=AT,
        received_at=AT,
        source=Source(kind="device", name="station-1"),
        correlation_id="test-1",
        payload=read_payload(payload.KIND, payload.VERSION, json.loads(json.dumps(told))),
    )


def keep(store: Store, *messages: Message[Payload]) -> list[Outcome]:
    with store.begin() as connection:
        return accept(connection, "intake", messages)


def sent(store: Store) -> list[Message[Payload]]:
    with store.read() as connection:
        rows = connection.execute(select(OUTBOX).order_by(OUTBOX.c.id)).all()
    assert {row.exchange for row in rows} <= {Exchange.FACTS.value}
    return [parse(row.body) for row in rows]


def count(store: Store, table: Any) -> int:
    with store.read() as connection:
        return int(connection.scalar(select(func.count()).select_from(table)) or 0)


def kept_for_a_person(store: Store) -> list[Any]:
    with store.read() as connection:
        return list(triage.entries(connection))


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


def test_another_content_under_a_known_key_is_not_kept_and_a_person_is_told(store: Store) -> None:
    # given
    first, other = fact(ExposureEnded), fact(ExposureEnded, tube_kv=70.0)
    keep(store, first)

    # when
    (outcome,) = keep(store, other)

    # then
    assert isinstance(outcome, Conflict)
    assert (outcome.kept, outcome.error.field) == (False, "payload.tube_kv")
    assert sent(store) == [first]
    (entry,) = kept_for_a_person(store)
    assert (entry.field, entry.value) == ("payload.tube_kv", "70.0")
    assert parse(entry.body) == other


def test_two_facts_under_one_message_id_are_told_to_a_person(store: Store) -> None:
    # given
    first = fact(ExposureEnded)
    other = fact(ExposureEnded, exposure_counter=4712)
    same_id = replace(other, id=first.id)
    keep(store, first)

    # when
    (outcome,) = keep(store, same_id)

    # then
    assert isinstance(outcome, Conflict)
    assert outcome.error.field == "id"
    assert sent(store) == [first]


def test_the_same_order_id_at_two_sites_is_two_orders(store: Store) -> None:
    outcomes = keep(store, fact(OrderPlaced), fact(OrderPlaced, site="south"))

    assert [type(outcome) for outcome in outcomes] == [Accepted, Accepted]
    with store.read() as connection:
        assert len(worklist_store.scheduled(connection, "north")) == 1
        assert len(worklist_store.scheduled(connection, "south")) == 1


@pytest.mark.parametrize("kind", [ImageStored, DocumentStored])
def test_an_object_of_other_content_under_a_known_uid_goes_out_and_a_person_is_told(
    store: Store, kind: type[Payload]
) -> None:
    # given
    first, other = fact(kind), fact(kind, sha256="2" * 64, path="north/other.dcm")
    keep(store, first)

    # when
    (outcome,) = keep(store, other)

    # then
    assert isinstance(outcome, Conflict)
    assert outcome.kept
    assert sent(store) == [first, other]
    assert count(store, IMAGE) == 2
    (entry,) = kept_for_a_person(store)
    assert entry.field == "SOPInstanceUID (0008,0018)"


@pytest.mark.parametrize("kind", [ImageStored, DocumentStored])
def test_an_object_sent_again_under_another_station_is_known(
    store: Store, kind: type[Payload]
) -> None:
    keep(store, fact(kind))

    (outcome,) = keep(store, fact(kind, station="station-2"))

    assert isinstance(outcome, AlreadyKnown)
    assert count(store, IMAGE) == 1


@pytest.mark.parametrize("newest_first", [False, True])
def test_the_highest_revision_of_an_order_is_on_the_worklist_in_any_order(
    store: Store, newest_first: bool
) -> None:
    # given
    orders = [fact(OrderPlaced), fact(OrderPlaced, revision=2, room="dental-2")]

    # when
    for order in reversed(orders) if newest_first else orders:
        keep(store, order)

    # then
    with store.read() as connection:
        (listed,) = worklist_store.scheduled(connection, "north")
    assert listed.room == "dental-2"
    assert listed.patient.name == "Invented Pepper"


@pytest.mark.parametrize("cancelled_first", [False, True])
def test_a_cancelled_order_is_off_the_worklist_in_any_order(
    store: Store, cancelled_first: bool
) -> None:
    # given
    facts = [fact(OrderPlaced), fact(OrderCancelled)]

    # when
    for one in reversed(facts) if cancelled_first else facts:
        keep(store, one)

    # then
    with store.read() as connection:
        assert worklist_store.scheduled(connection, "north") == []
    assert len(sent(store)) == 2


def test_the_worklist_can_be_asked_for_a_span_of_time(store: Store) -> None:
    # given
    for day in (1, 2, 3):
        keep(
            store,
            fact(OrderPlaced, order_id=f"{day}", scheduled_at=f"2026-03-0{day}T09:00:00Z"),
        )

    # when
    with store.read() as connection:
        found = worklist_store.scheduled(
            connection,
            "north",
            datetime(2026, 3, 2, tzinfo=UTC),
            datetime(2026, 3, 3, tzinfo=UTC),
        )

    # then
    assert [order.order_id for order in found] == ["2"]


def test_a_fact_whose_identity_is_too_long_to_be_kept_is_refused() -> None:
    # given: the longest that the contract allows, and one that no contract checked
    longest = fact(FactWithdrawn, withdrawn_key="k" * 280)
    unchecked = FactWithdrawn.model_construct(withdrawn_key="k" * 500, reason="invented")
    too_long = replace(longest, payload=unchecked)

    # when, then
    check_natural_key(longest)
    with pytest.raises(InvalidInput, match="natural_key"):
        check_natural_key(too_long)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"group": "another-group"}, "group"),
        ({"site": "nowhere"}, "site"),
    ],
)
def test_an_offer_of_a_foreign_group_or_site_is_refused(
    store: Store, changes: dict[str, Any], field: str
) -> None:
    offer = replace(fact(ExposureEnded), **changes)

    with pytest.raises(InvalidInput) as refusal, store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [offer])

    assert refusal.value.field == field
    assert sent(store) == []


@pytest.mark.parametrize("kind", [ImageStored, DocumentStored])
def test_an_object_offered_over_the_bus_without_its_file_is_refused(
    store: Store, kind: type[Payload]
) -> None:
    with pytest.raises(InvalidInput, match="by DICOM"), store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [fact(kind)])

    assert sent(store) == []


@pytest.mark.parametrize("kind", [NoteSigned, NoteAddended])
def test_a_signature_is_not_taken_from_the_bus_where_nobody_proves_who_they_are(
    store: Store, kind: type[Payload]
) -> None:
    with pytest.raises(InvalidInput, match="over HTTP"), store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [fact(kind)])

    assert sent(store) == []


def test_a_conclusion_is_no_fact_and_refused(store: Store) -> None:
    conclusion = replace(
        fact(ExposureEnded),
        payload=read_payload("note_written", NoteWritten.VERSION, NoteWritten.EXAMPLES[0]),
    )

    with pytest.raises(InvalidInput, match="a fact"), store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), [conclusion])


def test_offers_of_our_sites_are_kept_and_sent(store: Store) -> None:
    offers = [fact(ExposureEnded), fact(OrderPlaced, site="south")]

    with store.begin() as connection:
        offered_facts(OUR_GROUP, "intake")(Work(connection, store), offers)

    assert sent(store) == offers


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


def test_two_contents_of_one_image_at_once_make_one_conflict(store: Store) -> None:
    # given
    barrier = Barrier(2)
    outcomes: list[Outcome] = []

    def tell(sha256: str) -> None:
        message = fact(ImageStored, sha256=sha256, path=f"north/{sha256[:4]}.dcm")
        barrier.wait()
        outcomes.extend(keep(store, message))

    # when
    threads = [Thread(target=tell, args=(digit * 64,)) for digit in "12"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    # then
    assert sorted(type(outcome).__name__ for outcome in outcomes) == ["Accepted", "Conflict"]
    assert count(store, IMAGE) == 2


def test_the_tables_go_away_with_their_revision(store: Store) -> None:
    go_back(store, "0001")

    with store.read() as connection:
        assert not connection.dialect.has_table(connection, "intake_fact")
    assert migrate(store) is not None
