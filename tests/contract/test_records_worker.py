"""From conclusions to postings in a patient record, on a real store and a real folder."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext

import services.records.line_reader  # noqa: F401 - its table is among those declared
from schemas.errors import InvalidInput
from schemas.facts import PostingAnswered, PostingOutcome
from services.records.port import ChargePosting
from services.records.suite.samples import STUDY, credit, entry
from services.runtime.tables import METADATA
from tests.contract.record_samples import charges, message
from tests.contract.records_line import Line, key


def test_the_migration_makes_the_tables_that_the_store_declares(line: Line) -> None:
    with line.store.begin() as connection:
        context = MigrationContext.configure(
            connection,
            opts={
                "include_object": lambda _thing, name, kind, _reflected, _other: (
                    kind != "table" or name.startswith("records_")
                )
            },
        )
        differences = compare_metadata(context, METADATA)

    assert differences == []


def test_a_due_ledger_is_posted_and_each_answer_is_offered_as_a_fact(line: Line) -> None:
    cause = message(charges(entry(1), entry(2)))
    line.take_messages(cause)

    line.post_all()

    assert line.held(study_instance_uid=STUDY) == [key(1), key(2)]
    assert [answer.posting_key for answer in line.answers()] == [key(1), key(2)]
    for offer in line.offers():
        assert isinstance(offer.payload, PostingAnswered)
        assert offer.payload.outcome is PostingOutcome.ACCEPTED
        assert offer.payload.record_reference
        assert (offer.source.kind, offer.source.name) == ("record", "folder")
        assert (offer.correlation_id, offer.causation_id) == (cause.correlation_id, cause.id)
        assert (offer.group, offer.site) == (cause.group, cause.site)


def test_charges_that_are_not_due_stay_here(line: Line) -> None:
    line.take(charges(entry(1), due=False))

    line.post_all()

    assert line.postings() == []
    assert line.held(study_instance_uid=STUDY) == []


def test_a_ledger_told_again_and_longer_adds_only_what_is_new(line: Line) -> None:
    first, second = charges(entry(1)), charges(entry(1), credit(2, key(1)), entry(3), revision=2)
    line.take(first)
    line.post_all()

    line.take(second, first, second)
    line.take(first)
    line.post_all()

    assert line.held(study_instance_uid=STUDY) == [key(1), key(2), key(3)]
    assert Counter(answer.posting_key for answer in line.answers()) == {
        key(1): 1,
        key(2): 1,
        key(3): 1,
    }


def test_an_entry_that_was_edited_under_its_key_is_refused(line: Line) -> None:
    line.take(charges(entry(1)))

    with pytest.raises(InvalidInput, match=r"payload\.ledger"):
        line.take(charges(entry(1, amount=Decimal("39.00")), entry(2), revision=2))

    assert list(line.states()) == [key(1)]


def test_a_credit_goes_to_the_patient_of_its_charge(line: Line) -> None:
    wrong: dict[str, Any] = {"patient_id": "P-wrong"}
    right: dict[str, Any] = {"patient_id": "P-right"}
    first = entry(1, **wrong)
    line.take(charges(first, **wrong))
    line.post_all()

    line.take(charges(first, credit(2, key(1), **wrong), entry(3, **right), revision=2, **right))
    line.post_all()

    assert line.held(patient_id="P-wrong") == [key(1), key(2)]
    assert line.held(patient_id="P-right") == [key(3)]
    assert {answer.outcome for answer in line.answers()} == {PostingOutcome.ACCEPTED}


def test_a_whole_ledger_told_late_goes_to_those_whom_its_entries_name(line: Line) -> None:
    wrong = {"patient_id": "P-wrong", "account": "ACC-wrong"}
    right = {"patient_id": "P-right", "account": "ACC-right"}
    line.take(
        charges(
            entry(1, **wrong),
            credit(2, key(1), **wrong),
            entry(3, **right),
            patient_id="P-right",
            account="ACC-right",
        )
    )

    line.post_all()

    assert line.held(patient_id="P-wrong") == [key(1), key(2)]
    assert line.held(patient_id="P-right") == [key(3)]
    accounts = [row.body["account"] for row in line.postings()]
    assert accounts == ["ACC-wrong", "ACC-wrong", "ACC-right"]


def test_a_conflict_in_the_record_comes_back_in_its_own_words(line: Line) -> None:
    line.record.post_charge(
        ChargePosting(
            site="north",
            patient_id="P-1001",
            study_instance_uid=STUDY,
            currency="EUR",
            entry=entry(1, amount=Decimal("99.00")),
        )
    )
    line.take(charges(entry(1), entry(2)))

    line.post_all()

    assert line.states() == {key(1): "rejected", key(2): "posted"}
    rejected = line.answers()[0]
    assert rejected.outcome is PostingOutcome.REJECTED
    assert rejected.words is not None
    assert "other content" in rejected.words
