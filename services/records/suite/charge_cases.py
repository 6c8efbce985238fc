"""What a record does with charges and credits: each once, as it was posted, in order."""

from __future__ import annotations

import itertools
from datetime import date
from decimal import Decimal

import pytest

from schemas.conclusions import EntryType
from services.records.held import answer_of
from services.records.port import Accepted, ChargePosting, PatientRecord, Rejected
from services.records.suite.given import Given, accepted
from services.records.suite.samples import STUDY, charge_posting, credit, entry


class ChargeCases(Given):
    """``post_charge``, ``reverse_charge``, ``find_charge`` and ``read_charges``."""

    def test_an_empty_record_can_be_reached_and_holds_nothing(self, record: PatientRecord) -> None:
        assert record.check().ok, record.check().words
        assert list(record.read_charges(study_instance_uid=STUDY)) == []
        assert list(record.read_orders()) == []
        assert list(record.read_answers()) == []

    def test_a_posted_charge_reads_back_as_it_was_posted(self, record: PatientRecord) -> None:
        line = entry(quantity=3, amount=Decimal("114.30"))

        reference = accepted(record.post_charge(charge_posting(line)))

        (held,) = record.read_charges(study_instance_uid=STUDY)
        assert held.posting_key == line.posting_key
        assert held.type is EntryType.CHARGE
        assert held.reverses is None
        assert (held.site, held.patient_id, held.study_instance_uid) == ("north", "P-1001", STUDY)
        assert (held.code, held.quantity, held.currency) == ("INV-IO-FIRST", 3, "EUR")
        assert held.amount == Decimal("114.30")
        assert held.service_day == line.service_day
        assert held.reference == reference
        assert not held.changed_by_hand

    def test_the_same_charge_again_is_accepted_and_held_once(self, record: PatientRecord) -> None:
        first = accepted(record.post_charge(charge_posting()))

        again = [accepted(record.post_charge(charge_posting())) for _ in range(3)]

        assert again == [first] * 3
        assert len(record.read_charges(study_instance_uid=STUDY)) == 1

    @pytest.mark.parametrize(
        "other",
        [
            charge_posting(entry(amount=Decimal("39.00"))),
            charge_posting(entry(quantity=2)),
            charge_posting(entry(code="INV-OTHER")),
            charge_posting(patient_id="P-2002"),
            charge_posting(currency="USD"),
        ],
        ids=["amount", "quantity", "code", "patient", "currency"],
    )
    def test_other_content_under_the_same_key_is_rejected_and_changes_nothing(
        self, record: PatientRecord, other: ChargePosting
    ) -> None:
        record.post_charge(charge_posting())
        before = record.read_charges(study_instance_uid=STUDY)

        answer = record.post_charge(other)

        assert isinstance(answer, Rejected)
        assert answer.words
        assert record.read_charges(study_instance_uid=STUDY) == before
        assert accepted(record.post_charge(charge_posting())) == before[0].reference

    def test_a_posting_is_found_by_its_key_and_by_no_other(self, record: PatientRecord) -> None:
        charge, reversal = entry(1), credit(2, entry(1).posting_key)
        assert record.find_charge(charge_posting(charge)) is None
        record.post_charge(charge_posting(charge))
        record.reverse_charge(charge_posting(reversal))

        for line in (charge, reversal):
            held = record.find_charge(charge_posting(line))
            assert held is not None
            assert (held.posting_key, held.type) == (line.posting_key, line.type)
            assert isinstance(answer_of(held, charge_posting(line)), Accepted)
        assert record.find_charge(charge_posting(entry(3))) is None

    def test_a_posting_is_held_under_its_posting_day_with_its_service_day(
        self, record: PatientRecord
    ) -> None:
        moved = charge_posting(entry(1), moved_to=date(2026, 4, 1))

        accepted(record.post_charge(moved))

        (held,) = record.read_charges(study_instance_uid=STUDY)
        assert (held.service_day, held.posting_day) == (date(2026, 3, 2), date(2026, 4, 1))
        assert record.find_charge(charge_posting(entry(1))) == held

    def test_a_credit_stands_beside_the_charge_that_it_reverses(
        self, record: PatientRecord
    ) -> None:
        charge = entry(1)
        record.post_charge(charge_posting(charge))
        reversal = charge_posting(credit(2, charge.posting_key))

        reference = accepted(record.reverse_charge(reversal))

        assert accepted(record.reverse_charge(reversal)) == reference
        held = record.read_charges(study_instance_uid=STUDY)
        assert [(line.type, line.reverses) for line in held] == [
            (EntryType.CHARGE, None),
            (EntryType.CREDIT, charge.posting_key),
        ]
        assert held[1].reference == reference

    def test_nothing_is_credited_that_the_record_does_not_hold(self, record: PatientRecord) -> None:
        answer = record.reverse_charge(charge_posting(credit(2, "charge:unknown:1")))

        assert isinstance(answer, Rejected)
        assert "charge:unknown:1" in answer.words
        assert list(record.read_charges(study_instance_uid=STUDY)) == []

    def test_a_charge_is_not_credited_to_another_patient(self, record: PatientRecord) -> None:
        record.post_charge(charge_posting(entry(1)))

        answer = record.reverse_charge(
            charge_posting(credit(2, entry(1).posting_key), patient_id="P-2002")
        )

        assert isinstance(answer, Rejected)
        assert len(record.read_charges(study_instance_uid=STUDY)) == 1

    def test_lines_read_back_in_the_order_of_posting(self, record: PatientRecord) -> None:
        numbers = [11, 2, 30, 1, 9]
        for number in numbers:
            record.post_charge(charge_posting(entry(number)))
        record.post_charge(charge_posting(entry(30)))

        held = record.read_charges(study_instance_uid=STUDY)

        assert [line.posting_key for line in held] == [f"charge:{STUDY}:{n}" for n in numbers]

    def test_charges_are_found_by_study_by_patient_and_by_both(self, record: PatientRecord) -> None:
        for study, patient in itertools.product(("2.25.1", "2.25.2"), ("P-1", "P-2")):
            line = entry(1, posting_key=f"charge:{study}:{patient}")
            record.post_charge(charge_posting(line, study_instance_uid=study, patient_id=patient))

        by_study = record.read_charges(study_instance_uid="2.25.1")
        by_patient = record.read_charges(patient_id="P-2")
        by_both = record.read_charges(study_instance_uid="2.25.2", patient_id="P-1")

        assert {line.patient_id for line in by_study} == {"P-1", "P-2"}
        assert {line.study_instance_uid for line in by_patient} == {"2.25.1", "2.25.2"}
        assert [line.posting_key for line in by_both] == ["charge:2.25.2:P-1"]
