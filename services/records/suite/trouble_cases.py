"""A record that refuses, is away or loses an answer: who is told, and what is held in the end."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from services.records.held import answer_of
from services.records.port import Accepted, PatientRecord, RecordUnavailable, Rejected
from services.records.suite.given import Away, Given, Refuse, accepted
from services.records.suite.samples import (
    DAY,
    SITE,
    STUDY,
    charge_posting,
    credit,
    entry,
    note_posting,
)

WORDS = "Account closed by the front desk (invented)"


class TroubleCases(Given):
    """A refusal is told, an outage only delays, and a lost answer doubles nothing."""

    def test_a_charge_that_the_record_refuses_is_rejected_in_its_words_and_not_held(
        self, record: PatientRecord, refuse: Refuse
    ) -> None:
        refuse(charge_posting(), WORDS)

        answer = record.post_charge(charge_posting())

        assert isinstance(answer, Rejected), "the record refused it, and a person must hear so"
        assert WORDS in answer.words
        assert list(record.read_charges(study_instance_uid=STUDY)) == []

    def test_a_credit_that_the_record_refuses_is_rejected_and_the_charge_stays(
        self, record: PatientRecord, refuse: Refuse
    ) -> None:
        accepted(record.post_charge(charge_posting()))
        reversal = charge_posting(credit(2, entry().posting_key))
        refuse(reversal, WORDS)

        answer = record.reverse_charge(reversal)

        assert isinstance(answer, Rejected), "the record refused it, and a person must hear so"
        assert WORDS in answer.words
        held = record.read_charges(study_instance_uid=STUDY)
        assert [line.posting_key for line in held] == [entry().posting_key]

    def test_a_note_that_the_record_refuses_is_rejected_in_its_words(
        self, record: PatientRecord, refuse: Refuse
    ) -> None:
        refuse(note_posting(), WORDS)

        answer = record.post_note(note_posting())

        assert isinstance(answer, Rejected), "the record refused it, and a person must hear so"
        assert WORDS in answer.words

    def test_while_the_record_is_away_postings_wait_and_are_held_once_when_it_is_back(
        self, record: PatientRecord, away: Away
    ) -> None:
        with away():
            with pytest.raises(RecordUnavailable):
                record.post_charge(charge_posting())
            with pytest.raises(RecordUnavailable):
                record.post_note(note_posting())
            assert not record.check().ok

        accepted(record.post_charge(charge_posting()))
        accepted(record.post_note(note_posting()))
        assert record.check().ok, record.check().words
        assert len(record.read_charges(study_instance_uid=STUDY)) == 1

    def test_while_the_record_is_away_nothing_is_said_of_what_it_holds(
        self, record: PatientRecord, away: Away
    ) -> None:
        """Nothing found would mean: post it again, or: the record has lost it."""
        accepted(record.post_charge(charge_posting()))
        with away():
            with pytest.raises(RecordUnavailable):
                record.find_charge(charge_posting())
            with pytest.raises(RecordUnavailable):
                record.read_charges(study_instance_uid=STUDY)
            with pytest.raises(RecordUnavailable):
                list(record.read_lines(SITE, DAY, DAY))

    def test_a_charge_whose_answer_was_lost_is_held_once_after_the_next_try(
        self, record: PatientRecord, lose_next_answer: Callable[[], None]
    ) -> None:
        lose_next_answer()
        with pytest.raises(RecordUnavailable):
            record.post_charge(charge_posting())

        held = record.find_charge(charge_posting())
        if held is not None:
            assert isinstance(answer_of(held, charge_posting()), Accepted)
        accepted(record.post_charge(charge_posting()))
        assert len(record.read_charges(study_instance_uid=STUDY)) == 1
