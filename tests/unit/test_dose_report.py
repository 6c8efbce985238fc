"""A dose report that we write: its figures, its words, and what our own reader makes of it."""

from __future__ import annotations

from datetime import date, timedelta
from io import BytesIO
from typing import Any

import pytest
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite

from schemas.conclusions import CalibrationUsed, DoseBasis, ExposureUse, StudyAssessed
from schemas.facts import Patient, Sex
from schemas.facts.order import Weight, WeightUnit
from schemas.group import Site
from schemas.teeth import Species
from services.intake.document_header import read_document
from services.intake.dose_report_reader import read_dose_report
from services.intake.reported_exposures import told_exposures
from services.notes.dose_report import NoDoseReport, dose_report
from tests.assessed import GROUP, START, STUDY, assessed, exposure, image

NORTH = GROUP.site("north")
GENERATOR = {
    "name": "generator-1",
    "kind": "generator",
    "room": "dental-1",
    "serial": "INVENTED-0001",
}
WITH_GENERATOR = Site.model_validate(NORTH.model_dump() | {"devices": [GENERATOR]}, strict=False)


def study(**changes: Any) -> StudyAssessed:
    exposures = (
        exposure(1, sop_instance_uid="2.25.2001", kerma_mgy=1.6, kap_mgycm2=45.0),
        exposure(
            2,
            ExposureUse.ENDED_EARLY,
            exposure_ms=33.4,
            kerma_mgy=0.44,
            kap_mgycm2=12.5,
            dose_basis=DoseBasis.MODEL,
            relative_uncertainty=0.5,
        ),
        exposure(3, dose_basis=DoseBasis.UNKNOWN, preset="side-lower", repeat=True),
    )
    told = {"exposures": exposures, "images": (image(1),)} | changes
    return assessed(**told)


def written(report: Dataset) -> Dataset:
    """The report as it comes back from a file."""
    buffer = BytesIO()
    dcmwrite(buffer, report, enforce_file_format=True)
    buffer.seek(0)
    return dcmread(buffer)


def named(items: Any, value: str) -> list[Dataset]:
    return [item for item in items if item.ConceptNameCodeSequence[0].CodeValue == value]


def number_of(item: Dataset) -> tuple[float, str]:
    told = item.MeasuredValueSequence[0]
    return float(told.NumericValue), told.MeasurementUnitsCodeSequence[0].CodeValue


def test_what_is_written_is_read_back_as_the_same_exposures() -> None:
    # given
    whole = study()

    # when
    header = read_document(written(dose_report(whole, WITH_GENERATOR)), NORTH.zone, START)
    report = read_dose_report(header.content)
    told, unusable = told_exposures(header, report, WITH_GENERATOR, "station-1", "dental-1")

    # then
    assert (unusable, report.odd) == ([], ())
    assert len(told) == len(whole.exposures)
    for one, before in zip(told, whole.exposures, strict=True):
        assert abs(one.ended_at - before.occurred_at) < timedelta(microseconds=2)
        assert one.exposure.tube_kv == before.tube_kv
        assert one.exposure.tube_current_ma == before.tube_current_ma
        assert one.exposure.exposure_ms == before.exposure_ms
        assert one.exposure.reported_kerma_mgy == pytest.approx(before.kerma_mgy)
        assert one.exposure.reported_kap_mgycm2 == pytest.approx(before.kap_mgycm2)
        assert one.exposure.generator == "generator-1"
        assert one.exposure.study_instance_uid == STUDY
    assert header.ours


def test_totals_are_in_gy_and_gy_m2_and_sum_what_is_known() -> None:
    report = dose_report(study(), NORTH)

    (accumulated,) = named(report.ContentSequence, "113702")
    totals = {
        name: number_of(named(accumulated.ContentSequence, name)[0])
        for name in ("113722", "113725", "113727", "113729", "113855", "113731")
    }
    # 1 mGy is 1e-3 Gy and 1 mGy·cm² is 1e-7 Gy·m², since 1 cm² is 1e-4 m²
    assert {name: value for name, (value, _) in totals.items()} == pytest.approx(
        {
            "113722": 57.5e-7,
            "113725": 2.04e-3,
            "113727": 57.5e-7,
            "113729": 2.04e-3,
            "113855": 0.2734,
            "113731": 3,
        }
    )
    units = [unit for _, unit in totals.values()]
    assert units == ["Gy.m2", "Gy", "Gy.m2", "Gy", "s", "1"]


def test_a_figure_that_nobody_knows_is_said_to_be_unknown_and_is_no_zero() -> None:
    report = dose_report(study(), NORTH)

    event = named(report.ContentSequence, "113706")[2]
    assert named(event.ContentSequence, "113738") == []
    (comment,) = named(report.ContentSequence, "121106")
    assert "1 of 3 exposures have no kerma and are in no sum." in comment.TextValue


def test_a_doubtful_figure_is_in_no_total_and_stands_marked_in_its_events_comment() -> None:
    right = exposure(1, kerma_mgy=1.6, kap_mgycm2=45.0)
    wrong = exposure(2, kerma_mgy=1600.0, kap_mgycm2=46.0, kerma_doubtful=True)
    report = dose_report(study(exposures=(right, wrong)), NORTH)

    (accumulated,) = named(report.ContentSequence, "113702")
    totals = [
        number_of(named(accumulated.ContentSequence, name)[0]) for name in ("113725", "113722")
    ]
    assert [value for value, _ in totals] == pytest.approx([1.6e-3, 91e-7])
    event = named(report.ContentSequence, "113706")[1]
    assert named(event.ContentSequence, "113738") == []
    (words,) = named(event.ContentSequence, "121106")
    assert "DOUBTFUL, a person is asked: kerma as told 1600 mGy, in no sum." in words.TextValue
    (whole,) = named(report.ContentSequence, "121106")
    assert "1 of 2 exposures have a doubtful figure" in whole.TextValue


def test_an_events_comment_names_the_calibration_and_that_it_had_expired() -> None:
    used = CalibrationUsed(
        name="yearly-2025",
        measured_on=date(2025, 1, 12),
        valid_until=date(2026, 1, 31),
        expired=True,
    )
    one = exposure(1, kerma_mgy=1.6, dose_basis=DoseBasis.CALIBRATION, calibration=used)
    report = dose_report(study(exposures=(one,)), NORTH)

    (event,) = named(report.ContentSequence, "113706")
    (words,) = named(event.ContentSequence, "121106")
    assert "Calibration yearly-2025, measured 2025-01-12, expired by then." in words.TextValue


def test_a_total_that_nobody_knows_is_there_without_a_value() -> None:
    report = dose_report(study(exposures=(exposure(1),)), NORTH)

    (accumulated,) = named(report.ContentSequence, "113702")
    (kerma,) = named(accumulated.ContentSequence, "113725")
    assert len(kerma.MeasuredValueSequence) == 0
    assert kerma.NumericValueQualifierCodeSequence[0].CodeMeaning == "Value unknown"


def test_basis_and_uncertainty_stand_in_the_comments_and_the_source_is_coded() -> None:
    report = dose_report(study(), NORTH)

    events = named(report.ContentSequence, "113706")
    (words,) = named(events[1].ContentSequence, "121106")
    assert words.TextValue.startswith(
        "Basis of the dose: modelled from the settings. "
        "Relative standard uncertainty (k = 1): 50 %. Released early: 120 ms were set."
    )
    sources = [
        item.ConceptCodeSequence[0].CodeMeaning for item in named(report.ContentSequence, "113854")
    ]
    assert sources == ["Automated Data Collection", "System Calculated"]
    (whole,) = named(report.ContentSequence, "121106")
    assert "not a dosimeter" in whole.TextValue


def test_the_animal_is_described_as_an_animal() -> None:
    whole = Patient(
        patient_id="P-1001",
        name="Invented^Pepper",
        species=Species.CAT,
        breed="Invented breed",
        sex=Sex.FEMALE,
        neutered=True,
        born_on=date(2019, 5, 1),
        weight=Weight(value=10.0, unit=WeightUnit.LB),
        responsible_person="Invented Owner",
    )

    report = dose_report(study(patient=whole), NORTH)

    assert report.PatientName == "Invented Pepper"
    assert report.PatientSpeciesCodeSequence[0].CodeValue == "448169003"
    assert (report.PatientSex, report.PatientSexNeutered) == ("F", "ALTERED")
    assert report.PatientWeight == pytest.approx(4.536)
    assert report.ResponsiblePersonRole == "OWNER"


def test_the_same_revision_gives_the_same_object_and_the_next_another() -> None:
    first, again = (written(dose_report(study(), NORTH)) for _ in range(2))
    later = dose_report(study(revision=8), NORTH)

    assert first == again
    assert first.SOPInstanceUID != later.SOPInstanceUID
    assert first.SeriesInstanceUID == later.SeriesInstanceUID
    events = [named(one.ContentSequence, "113706") for one in (first, later)]
    uids = [[named(e.ContentSequence, "113769")[0].UID for e in event] for event in events]
    assert uids[0] == uids[1]
    assert len(set(uids[0])) == 3
    assert all(uid.startswith("2.25.") and len(uid) <= 64 for uid in uids[0])


def test_an_event_that_has_a_uid_keeps_it() -> None:
    one = exposure(1).model_copy(update={"exposure_key": "exposure:2.25.8001:generator"})

    report = dose_report(study(exposures=(one,)), NORTH)

    (event,) = named(report.ContentSequence, "113706")
    assert named(event.ContentSequence, "113769")[0].UID == "2.25.8001"


def test_a_study_that_a_device_reported_is_not_reported_again() -> None:
    one = exposure(1).model_copy(update={"exposure_key": "exposure:2.25.8001:dose_report"})

    with pytest.raises(NoDoseReport, match="use that one"):
        dose_report(study(exposures=(one,)), NORTH)


def test_a_study_without_an_exposure_has_nothing_to_report() -> None:
    with pytest.raises(NoDoseReport, match="none is known"):
        dose_report(study(exposures=()), NORTH)


def test_only_a_closed_study_gives_a_complete_report() -> None:
    assert dose_report(study(closed=False), NORTH).CompletionFlag == "PARTIAL"
    assert dose_report(study(closed=True), NORTH).CompletionFlag == "COMPLETE"
