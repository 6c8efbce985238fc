"""Identifiers and words that are meant to break something are only identifiers and words."""

from __future__ import annotations

import pytest

from services.records.port import PatientRecord
from services.records.suite.given import Given, accepted
from services.records.suite.samples import STUDY, charge_posting, entry, note, note_posting

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


class IdentifierCases(Given):
    """Keys, patients, studies and accounts that look like paths, markup or statements."""

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
