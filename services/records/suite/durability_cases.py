"""What was accepted is in the record, for everybody who looks, in the order in which it came.

Another adapter looks while the first is still open, so that nothing can wait in its memory. What a
record keeps over a loss of power cannot be seen from outside, and is not asked here.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest

from schemas.conclusions import NoteState
from schemas.envelope import Source
from services.records.port import PatientRecord
from services.records.suite.given import Given, Open, accepted
from services.records.suite.samples import STUDY, charge_posting, credit, entry, note, note_posting

PATIENTS = ("P-1", "P-2", "P-3")
NUMBERS = (5, 1, 4, 2, 3)


def study_of(patient: str) -> str:
    return f"2.25.{patient.removeprefix('P-')}"


class DurabilityCases(Given):
    """An answer is given only for what is done."""

    @pytest.fixture
    def other(self, record: PatientRecord, open_record: Open) -> Iterator[PatientRecord]:
        """Another adapter to the same record, while the first is still open."""
        del record
        made = open_record()
        yield made
        made.close()

    def test_an_accepted_charge_and_its_credit_are_seen_by_another_adapter_at_once(
        self, record: PatientRecord, other: PatientRecord
    ) -> None:
        charge = entry(1)
        for posting, post in (
            (charge_posting(charge), record.post_charge),
            (charge_posting(credit(2, charge.posting_key)), record.reverse_charge),
        ):
            reference = accepted(post(posting))

            lines = other.read_charges(study_instance_uid=STUDY)
            seen = [line for line in lines if line.posting_key == posting.key]
            assert [line.reference for line in seen] == [reference], "accepted, and not there yet"

    def test_what_was_accepted_is_known_again_by_another_adapter(
        self, record: PatientRecord, other: PatientRecord
    ) -> None:
        signed = note_posting(note(1, NoteState.SIGNED))
        charge = accepted(record.post_charge(charge_posting()))
        written = accepted(record.post_note(signed))

        assert accepted(other.post_charge(charge_posting())) == charge
        assert accepted(other.post_note(signed)) == written
        assert len(other.read_charges(study_instance_uid=STUDY)) == 1

    def test_each_patient_keeps_its_order_while_others_post_from_other_threads(
        self, record: PatientRecord
    ) -> None:
        def post_all(patient: str) -> None:
            study = study_of(patient)
            for number in NUMBERS:
                posting = charge_posting(
                    entry(number, study, patient_id=patient),
                    patient_id=patient,
                    study_instance_uid=study,
                )
                accepted(record.post_charge(posting))

        with ThreadPoolExecutor(len(PATIENTS)) as threads:
            list(threads.map(post_all, PATIENTS))

        for patient in PATIENTS:
            study = study_of(patient)
            held = record.read_charges(study_instance_uid=study)
            assert [line.posting_key for line in held] == [f"charge:{study}:{n}" for n in NUMBERS]

    def test_charges_that_go_together_are_answered_by_key_and_held_once(
        self, record: PatientRecord
    ) -> None:
        postings = [
            charge_posting(
                entry(1, study_of(patient), patient_id=patient),
                patient_id=patient,
                study_instance_uid=study_of(patient),
            )
            for patient in PATIENTS
        ]

        answers = record.post_charges(postings)

        assert set(answers) <= {posting.key for posting in postings}
        for posting in postings:
            alone = accepted(record.post_charge(posting))
            if posting.key in answers:
                assert accepted(answers[posting.key]) == alone
            study = posting.study_instance_uid
            assert len(record.read_charges(study_instance_uid=study)) == 1

    def test_the_adapter_has_a_name_that_facts_can_carry_and_closes_twice(
        self, record: PatientRecord
    ) -> None:
        assert Source(kind="record", name=record.NAME).name == record.NAME

        record.close()
        record.close()
