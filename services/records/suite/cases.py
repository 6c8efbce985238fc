"""What every adapter to a patient record must do, whatever record it speaks to.

An adapter's own test class derives from ``RecordCases`` and gives the fixture ``record``: an
open adapter to an empty record.
"""

from __future__ import annotations

import itertools
from datetime import date, timedelta
from decimal import Decimal

import pytest

from schemas.conclusions import EntryType, NoteState
from schemas.facts import RecordLine
from services.records.held import answer_of
from services.records.port import Accepted, PatientRecord, Rejected
from services.records.suite.samples import (
    DAY,
    SITE,
    STUDY,
    charge_posting,
    correction_posting,
    credit,
    entry,
    note,
    note_posting,
)

HOSTILE = (
    "../../x",
    "/etc/invented",
    "..",
    ".",
    "a/../../b",
    "a\\..\\b",
    "nul\x00byte",
    "line\nbreak",
    "%2e%2e%2f",
    "x.answer",
    "x" * 160,
    "'; drop table records_posting; --",
    "<script>alert(1)</script>",
    "Żółć-犬-\N{CAT FACE}",
)


def accepted(answer: object) -> str:
    assert isinstance(answer, Accepted), answer
    assert answer.reference
    return answer.reference


class RecordCases:
    """The contract suite of ``services.records.port.PatientRecord``."""

    @pytest.fixture
    def record(self) -> PatientRecord:
        raise NotImplementedError("an adapter's test class gives its own record")

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
        self, record: PatientRecord, other: object
    ) -> None:
        record.post_charge(charge_posting())
        before = record.read_charges(study_instance_uid=STUDY)

        answer = record.post_charge(other)  # type: ignore[arg-type]

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

    def test_a_correction_is_held_beside_the_line_that_it_corrects_and_once(
        self, record: PatientRecord
    ) -> None:
        record.post_charge(charge_posting())
        (before,) = record.read_lines(SITE, DAY, DAY)
        assert isinstance(before, RecordLine)
        posting = correction_posting(before.line_id)

        references = {accepted(record.correct_charge(posting)) for _ in range(3)}

        assert len(references) == 1
        lines = [one for one in record.read_lines(SITE, DAY, DAY) if isinstance(one, RecordLine)]
        assert sorted((one.posting_key, one.amount) for one in lines) == [
            (entry().posting_key, Decimal("38.00")),
            (posting.key, Decimal("-38.00")),
        ]
        assert before in lines

    def test_a_correction_with_other_content_under_the_same_key_is_rejected(
        self, record: PatientRecord
    ) -> None:
        accepted(record.correct_charge(correction_posting("L-1")))

        answer = record.correct_charge(correction_posting("L-1", amount=Decimal("1.00")))

        assert isinstance(answer, Rejected)
        (line,) = record.read_lines(SITE, DAY, DAY)
        assert isinstance(line, RecordLine)
        assert line.amount == Decimal("-38.00")

    def test_lines_are_read_back_by_site_and_day_with_their_sign(
        self, record: PatientRecord
    ) -> None:
        for number, day in ((1, DAY), (2, DAY + timedelta(days=1)), (3, DAY + timedelta(days=9))):
            record.post_charge(charge_posting(entry(number, service_day=day)))
        record.reverse_charge(charge_posting(credit(4, entry(1).posting_key)))
        record.post_charge(charge_posting(entry(5, posting_key="charge:south:1"), site="south"))

        lines = list(record.read_lines(SITE, DAY, DAY + timedelta(days=1)))

        assert all(isinstance(one, RecordLine) for one in lines)
        told = {(one.posting_key, one.amount) for one in lines if isinstance(one, RecordLine)}
        assert told == {
            (entry(1).posting_key, Decimal("38.00")),
            (entry(2).posting_key, Decimal("38.00")),
            (entry(4).posting_key, Decimal("-38.00")),
        }
        again = list(record.read_lines(SITE, DAY, DAY + timedelta(days=1)))
        assert again == lines, "a line keeps its id and all else while nobody touches it"

    @pytest.mark.parametrize("state", [NoteState.DRAFT, NoteState.SIGNED, NoteState.ADDENDED])
    def test_a_note_is_taken_once_however_often_it_comes(
        self, record: PatientRecord, state: NoteState
    ) -> None:
        posting = note_posting(note(1, state))

        references = {accepted(record.post_note(posting)) for _ in range(3)}

        assert len(references) == 1

    def test_each_revision_of_a_note_has_its_own_place(self, record: PatientRecord) -> None:
        references = {
            accepted(record.post_note(note_posting(note(revision, state))))
            for revision, state in ((1, NoteState.DRAFT), (2, NoteState.SIGNED))
        }

        assert len(references) == 2

    def test_a_note_with_other_content_at_the_same_revision_is_rejected(
        self, record: PatientRecord
    ) -> None:
        signed = note_posting(note(2, NoteState.SIGNED))
        reference = accepted(record.post_note(signed))

        answer = record.post_note(note_posting(note(2, NoteState.SIGNED, text="Something else")))

        assert isinstance(answer, Rejected)
        assert accepted(record.post_note(signed)) == reference

    @pytest.mark.parametrize("hostile", HOSTILE)
    def test_a_hostile_identifier_is_only_an_identifier(
        self, record: PatientRecord, hostile: str
    ) -> None:
        posting = charge_posting(
            entry(1, posting_key=hostile),
            patient_id=hostile[:64],
            study_instance_uid=hostile[:64],
            account=hostile[:64],
        )

        reference = accepted(record.post_charge(posting))

        assert accepted(record.post_charge(posting)) == reference
        (held,) = record.read_charges(study_instance_uid=hostile[:64])
        assert (held.posting_key, held.patient_id) == (hostile, hostile[:64])

    def test_hostile_identifiers_do_not_stand_for_each_other(self, record: PatientRecord) -> None:
        for key in HOSTILE:
            accepted(record.post_charge(charge_posting(entry(1, posting_key=key))))

        held = record.read_charges(study_instance_uid=STUDY)

        assert [line.posting_key for line in held] == list(HOSTILE)

    def test_names_and_texts_of_any_script_survive(self, record: PatientRecord) -> None:
        words = "Zahnröntgen, 犬の歯, Žuželka \N{DOG FACE} (invented)"
        line = entry(1, description=words, reason=words)

        accepted(record.post_charge(charge_posting(line, patient_id="Pépé-犬")))
        accepted(record.post_note(note_posting(note(1, text=words, html=f"<p>{words}</p>"))))

        assert accepted(record.post_charge(charge_posting(line, patient_id="Pépé-犬")))
        assert [line.patient_id for line in record.read_charges(patient_id="Pépé-犬")] == [
            "Pépé-犬"
        ]
