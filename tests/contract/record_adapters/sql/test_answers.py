"""What the record's job answers, whole or not, and what becomes of it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
from sqlalchemy import select

from schemas.facts import ChargesReleased, PostingAnswered, PostingOutcome
from schemas.messages import parse
from services.records.adapters.sql import SqlAdapter
from services.records.listener import Listener
from services.records.port import Accepted, LateAnswer, Rejected, Unreadable
from services.records.suite import accepted
from services.records.suite.samples import STUDY, charge_posting, credit, entry, note_posting
from services.runtime import triage
from services.runtime.store import Store
from services.runtime.tables import OUTBOX
from tests.contract.record_adapters.posting_desk import Desk
from tests.contract.record_samples import charges
from tests.record_stand_ins.sql_server import SqlServer

KEY = entry().posting_key
CLOSED = "Account closed (invented)"


def test_what_the_job_accepted_is_told_with_its_reference_until_it_is_settled(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    accepted(adapter.post_note(note_posting()))
    assert list(adapter.read_answers()) == []

    record_side.work()

    told = list(adapter.read_answers())
    assert list(adapter.read_answers()) == told
    for one in told:
        adapter.settle(one)
    assert [(one.posting_key, one.outcome) for one in told if isinstance(one, LateAnswer)] == [
        (KEY, PostingOutcome.ACCEPTED),
        (note_posting().key, PostingOutcome.ACCEPTED),
    ]
    assert list(adapter.read_answers()) == []
    (line,) = adapter.read_charges(study_instance_uid=STUDY)
    assert line.reference.startswith("INV-charge-")
    assert accepted(adapter.post_charge(charge_posting())) == line.reference


def test_what_the_job_rejected_is_not_held_and_goes_out_again_once_a_person_knows(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    record_side.control(refuse={KEY: CLOSED}, work=True)

    (answer,) = adapter.read_answers()

    assert isinstance(answer, LateAnswer)
    assert (answer.outcome, answer.words) == (PostingOutcome.REJECTED, CLOSED)
    assert adapter.find_charge(charge_posting()) is None
    assert list(adapter.read_charges(study_instance_uid=STUDY)) == []
    assert isinstance(adapter.reverse_charge(charge_posting(credit(2, KEY))), Rejected)
    assert adapter.post_charge(charge_posting()) == Rejected(CLOSED), "nobody has heard it yet"
    adapter.settle(answer)

    accepted(adapter.post_charge(charge_posting()))  # released by a person
    record_side.control(refuse={KEY: None}, work=True)

    (again,) = adapter.read_answers()
    assert isinstance(again, LateAnswer)
    assert again.outcome is PostingOutcome.ACCEPTED
    assert record_side.control()["booked"] == [KEY]
    assert adapter.find_charge(charge_posting()) is not None


def test_a_rejection_of_an_older_turn_that_comes_too_late_undoes_no_release(
    record_side: SqlServer, adapter: SqlAdapter
) -> None:
    accepted(adapter.post_charge(charge_posting()))
    record_side.control(refuse={KEY: CLOSED}, work=True)
    for answer in adapter.read_answers():
        adapter.settle(answer)
    accepted(adapter.post_charge(charge_posting()))

    record_side.sql(
        "INSERT INTO gomphosis_answer (posting_key, turn, outcome, words) "
        "VALUES (:key, 1, 'rejected', 'the same again')",
        key=KEY,
    )

    assert list(adapter.read_answers()) == []
    assert adapter.find_charge(charge_posting()) is not None
    (row,) = record_side.sql("SELECT fault FROM gomphosis_answer WHERE words = 'the same again'")
    assert "older turn" in row["fault"]


@pytest.mark.parametrize(
    ("faults", "refused", "field"),
    [
        (["no_outcome"], False, "gomphosis_answer.outcome"),
        (["half"], False, "gomphosis_answer"),
        (["half"], True, "gomphosis_answer"),
    ],
    ids=["no outcome", "accepted without reference", "rejected without words"],
)
def test_a_half_written_answer_waits_to_be_completed_and_then_goes_to_a_person(
    record_side: SqlServer, adapter: SqlAdapter, faults: list[str], refused: bool, field: str
) -> None:
    for number in (1, 2):
        accepted(adapter.post_charge(charge_posting(entry(number))))
    key = entry(2).posting_key
    refuse = {KEY: CLOSED, key: CLOSED} if refused else {}
    record_side.control(refuse=refuse, faults={KEY: faults, key: [*faults, "old"]}, work=True)

    (bad,) = adapter.read_answers()

    assert isinstance(bad, Unreadable)
    assert bad.error.field == field
    assert key.encode() in bad.body
    adapter.settle(bad)
    (row,) = record_side.sql("SELECT fault FROM gomphosis_answer WHERE posting_key = :key", key=key)
    assert "expected" in row["fault"]
    assert adapter.find_charge(charge_posting(entry(2))) is not None, "no answer stands yet"

    record_side.sql(
        "UPDATE gomphosis_answer SET outcome = 'accepted', reference = 'INV-9' "
        "WHERE posting_key = :key",
        key=KEY,
    )
    (whole,) = adapter.read_answers()
    assert isinstance(whole, LateAnswer)
    assert (whole.posting_key, whole.reference) == (KEY, "INV-9")


def test_a_doubled_answer_is_told_once_and_one_to_an_unknown_key_goes_to_a_person(
    record_side: SqlServer, adapter: SqlAdapter, store: Store
) -> None:
    desk = Desk(store, adapter)
    desk.take(charges(entry(1), entry(2)))
    desk.post_due()
    listener = Listener(store, adapter, lambda: None, "example-group", 0.01)
    faults = {KEY: ["twice"], entry(2).posting_key: ["unknown"]}
    record_side.control(faults=faults, work=True)

    assert listener.listen_once() == 4
    assert listener.listen_once() == 0

    with store.read() as connection:
        facts = [parse(row.body).payload for row in connection.execute(select(OUTBOX))]
        (kept,) = triage.entries(connection)
    assert kept.field == "posting_key"
    assert "nobody's" in kept.value
    references = [
        (fact.posting_key, fact.record_reference)
        for fact in facts
        if isinstance(fact, PostingAnswered)
    ]
    # Taken in first, and named by the record afterwards, each once.
    named = [one for one in references if str(one[1]).startswith("INV-charge-")]
    assert len(references) == 4
    assert sorted(key for key, _ in named) == [KEY, entry(2).posting_key]
    assert set(desk.states().values()) == {"posted"}


def test_after_a_release_the_charge_is_posted_and_its_fact_told_again(
    record_side: SqlServer, adapter: SqlAdapter, store: Store
) -> None:
    desk = Desk(store, adapter)
    listener = Listener(store, adapter, lambda: None, "example-group", 0.01)
    desk.take(charges(entry(1)))
    desk.post_due()
    record_side.control(refuse={KEY: CLOSED}, work=True)
    listener.listen_once()
    assert desk.states() == {KEY: "rejected"}

    desk.take(released())
    desk.post_all()
    record_side.control(refuse={KEY: None}, work=True)
    listener.listen_once()

    assert desk.states() == {KEY: "posted"}
    assert len(record_side.sql("SELECT line_id FROM gomphosis_line")) == 1


def released() -> ChargesReleased:
    return ChargesReleased(study_instance_uid=STUDY)


def test_two_adapters_that_post_one_key_at_once_make_one_row(record_side: SqlServer) -> None:
    adapters = [record_side.adapter() for _ in range(4)]
    with ThreadPoolExecutor(len(adapters)) as threads:
        answers = list(threads.map(lambda one: one.post_charge(charge_posting()), adapters))
    for one in adapters:
        one.close()

    assert {answer.reference for answer in answers if isinstance(answer, Accepted)} == {
        accepted(answers[0])
    }
    assert len(record_side.sql("SELECT sequence FROM gomphosis_charge")) == 1
