"""Notes in a FHIR server: one report, and a document for every revision."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from schemas.conclusions import NoteImage, NoteShows, NoteState
from services.records.adapters.fhir import FhirAdapter
from services.records.port import (
    RecordUnavailable,
    Rejected,
)
from services.records.suite import accepted
from services.records.suite.samples import note, note_posting
from tests.record_stand_ins.fhir_server import FhirServer


@pytest.mark.parametrize("transactions", [False, True], ids=["steps", "transaction"])
class TestNotes:
    def test_one_report_follows_the_note_and_every_revision_stays_as_a_document(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        states = (NoteState.DRAFT, NoteState.SIGNED, NoteState.ADDENDED)

        for revision, state in enumerate(states, start=1):
            accepted(adapter.post_note(note_posting(note(revision, state))))
            (report,) = fhir.held("DiagnosticReport")
            assert report["status"] == ("preliminary", "final", "appended")[revision - 1]

        documents = fhir.held("DocumentReference")
        assert [one["docStatus"] for one in documents] == ["preliminary", "final", "amended"]
        (study,) = fhir.held("ImagingStudy")
        related = documents[0]["context"]["related"]
        assert [one["reference"] for one in related] == [
            f"ImagingStudy/{study['id']}",
            f"DiagnosticReport/{report['id']}",
        ]
        assert report["imagingStudy"] == related[:1]
        assert "conclusion" not in report

    def test_an_older_revision_that_comes_late_does_not_put_the_report_back(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        accepted(adapter.post_note(note_posting(note(2, NoteState.SIGNED))))

        accepted(adapter.post_note(note_posting(note(1))))

        assert fhir.held("DiagnosticReport")[0]["status"] == "final"
        assert len(fhir.held("DocumentReference")) == 2

    def test_a_report_that_the_record_has_changed_is_not_overwritten(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        accepted(adapter.post_note(note_posting(note(1))))
        (report,) = fhir.held("DiagnosticReport")
        fhir.control(resources=[{**report, "conclusion": "Words of the vet (invented)."}])

        answer = adapter.post_note(note_posting(note(2, NoteState.SIGNED)))

        assert isinstance(answer, Rejected)
        assert "changed in the record" in answer.words
        assert fhir.held("DiagnosticReport")[0]["conclusion"]

    @pytest.mark.parametrize("do", ["cut", "half"])
    def test_a_note_cut_off_after_any_step_ends_once(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool, do: str
    ) -> None:
        fhir.behave(transactions=transactions)
        posting = note_posting(note(1))
        # In steps: the study, the report, the document; what is held already is not sent again.
        for _ in range(1 if transactions else 3):
            fhir.control(faults=[{"do": do}])
            with pytest.raises(RecordUnavailable):
                adapter.post_note(posting)

        accepted(adapter.post_note(posting))

        for kind in ("ImagingStudy", "DiagnosticReport", "DocumentReference"):
            assert len(fhir.held(kind)) == 1


@pytest.mark.parametrize("transactions", [False, True], ids=["steps", "transaction"])
class TestImages:
    def test_the_imaging_study_follows_the_note_and_is_there_once(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)

        for _ in range(2):
            accepted(adapter.post_note(note_posting(note(1, shows=shows(1)))))
        accepted(adapter.post_note(note_posting(note(2, NoteState.SIGNED, shows=shows(1, 2)))))
        accepted(adapter.post_note(note_posting(note(1, shows=shows(1)))))

        (study,) = fhir.held("ImagingStudy")
        assert study["meta"]["versionId"] == "2"
        assert uids(study) == ["2.25.1", "2.25.2"]
        (report,) = fhir.held("DiagnosticReport")
        assert report["imagingStudy"] == [{"reference": f"ImagingStudy/{study['id']}"}]
        told = fhir.requests("PUT", "ImagingStudy")
        assert transactions or [one["headers"]["If-Match"] for one in told] == ['W/"1"']

    @pytest.mark.parametrize("by", ["the archive", "a person"])
    def test_one_that_others_made_or_changed_is_linked_and_left(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool, by: str
    ) -> None:
        fhir.behave(transactions=transactions)
        accepted(adapter.post_note(note_posting(note(1, shows=shows(1)))))
        (study,) = fhir.held("ImagingStudy")
        changed = {**study, "series": [{**study["series"][0], "uid": "2.25.77"}]}
        if by == "the archive":
            del changed["extension"]
        fhir.control(resources=[changed])

        accepted(adapter.post_note(note_posting(note(2, shows=shows(1, 2)))))

        (left,) = fhir.held("ImagingStudy")
        assert left["series"] == changed["series"]
        assert fhir.held("DiagnosticReport")[0]["imagingStudy"] == [
            {"reference": f"ImagingStudy/{study['id']}"}
        ]

    def test_one_that_is_held_for_another_patient_is_for_a_person(
        self, fhir: FhirServer, adapter: FhirAdapter, *, transactions: bool
    ) -> None:
        fhir.behave(transactions=transactions)
        accepted(adapter.post_note(note_posting(note(1))))
        (study,) = fhir.held("ImagingStudy")
        other = {"resourceType": "Patient", "id": "other"}
        fhir.control(resources=[other, {**study, "subject": {"reference": "Patient/other"}}])

        answer = adapter.post_note(note_posting(note(2, shows=shows(1))))

        assert isinstance(answer, Rejected)
        assert "another patient (Patient/other)" in answer.words
        assert len(fhir.held("DocumentReference")) == 1


def shows(*images: int) -> NoteShows:
    return NoteShows(
        images=tuple(
            NoteImage(
                sop_instance_uid=f"2.25.{number}",
                series_instance_uid="2.25.1000",
                sop_class_uid="1.2.840.10008.5.1.4.1.1.1.3",
                acquired_at=datetime(2026, 3, 2, 9, number, tzinfo=UTC),
            )
            for number in images
        )
    )


def uids(study: dict[str, Any]) -> list[str]:
    return [one["uid"] for series in study["series"] for one in series["instance"]]


def test_an_update_asks_that_nobody_changed_the_report_meanwhile(
    fhir: FhirServer, adapter: FhirAdapter
) -> None:
    accepted(adapter.post_note(note_posting(note(1))))
    fhir.fault("status", method="PUT", status=412, commit=False)

    with pytest.raises(RecordUnavailable):
        adapter.post_note(note_posting(note(2)))
    accepted(adapter.post_note(note_posting(note(2))))

    told = [one["headers"]["If-Match"] for one in fhir.requests("PUT", "DiagnosticReport")]
    assert told == ['W/"1"'] * 2
