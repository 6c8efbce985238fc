"""Every kind of DICOM object that we write, checked by programs that are not ours.

``dciodvfy`` compares an object with its IOD; a note's structured report has its own suite.
highdicom reads the content tree with its own checks of PS3.3 C.17.3.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from highdicom.sr import CodedConcept, ContentSequence
from highdicom.sr.utils import find_content_items
from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.filewriter import dcmwrite

from demo.intraoral_object import Acquisition, intraoral_object
from schemas.conclusions import DoseBasis, ExposureUse, StudyAssessed
from schemas.facts import Patient
from schemas.group import Site
from schemas.plans import View, load_plans
from services.intake.worklist_item import set_character_set, worklist_item
from services.intake.worklist_store import ScheduledOrder
from services.notes.dose_report import dose_report
from tests.assessed import BARE_PATIENT, GROUP, WHOLE_PATIENT, assessed, exposure, image
from tests.intake_support import Intake, running_intake, send
from tests.outside.dicom_checker import complaints

NORTH = GROUP.site("north")
WITH_GENERATOR = Site.model_validate(
    NORTH.model_dump()
    | {
        "devices": [
            {
                "name": "generator-1",
                "kind": "generator",
                "room": "dental-1",
                "serial": "INVENTED-0001",
            }
        ]
    },
    strict=False,
)
VIEWS = [
    (plan.code, view)
    for plan in load_plans().values()
    if plan.code in {"cat-full-mouth", "dog-full-mouth"}
    for view in plan.views
]


def study(patient: Patient | None) -> StudyAssessed:
    return assessed(
        patient=patient,
        closed=True,
        images=(image(1), image(2, teeth=(107, 207))),
        exposures=(
            exposure(1, sop_instance_uid="2.25.2001", kerma_mgy=1.6, kap_mgycm2=45.0),
            exposure(
                2,
                ExposureUse.ENDED_EARLY,
                exposure_ms=33.4,
                kerma_mgy=0.44,
                dose_basis=DoseBasis.MODEL,
                relative_uncertainty=0.5,
                preset="side-lower",
            ),
            exposure(3, sop_instance_uid="2.25.2002", repeat=True),
        ),
    )


def scheduled(patient: Patient, plan: str) -> Dataset:
    order = ScheduledOrder(
        order_id="1001",
        study_instance_uid="2.25.1001",
        accession_number="A1001",
        room="dental-1",
        scheduled_at=datetime(2026, 3, 2, 9, tzinfo=UTC),
        plan=plan,
        patient=patient,
    )
    item = worklist_item(order, load_plans()[plan], ["STATION1"], NORTH.zone)
    set_character_set(item)
    return item


def intraoral(patient: Patient, plan: str, view: View, *, labelled: bool) -> Dataset:
    shot = Acquisition(
        scheduled=scheduled(patient, plan),
        view=view,
        labelled=labelled,
        sop_instance_uid="2.25.2001",
        series_instance_uid="2.25.2000",
        number=1,
        acquired_at=datetime(2026, 3, 2, 9, 20, tzinfo=UTC),
        tube_kv=65.0,
        tube_current_ma=7.0,
        exposure_ms=120.0,
        pixel_pitch_mm=0.05,
    )
    return intraoral_object(shot, np.arange(60 * 40, dtype=np.uint16).reshape(60, 40))


@pytest.mark.parametrize(
    "patient", [WHOLE_PATIENT, BARE_PATIENT, None], ids=["whole", "bare", "no"]
)
@pytest.mark.parametrize("site", [NORTH, WITH_GENERATOR], ids=["unknown", "known-generator"])
def test_a_dose_report_is_free_of_errors(
    dciodvfy: Path, tmp_path: Path, patient: Patient | None, site: Site
) -> None:
    path = tmp_path / "dose.dcm"
    dcmwrite(path, dose_report(study(patient), site), enforce_file_format=True)

    assert complaints(dciodvfy, path) == []


def test_the_checker_does_complain_of_a_spoilt_dose_report(dciodvfy: Path, tmp_path: Path) -> None:
    report = dose_report(study(WHOLE_PATIENT), NORTH)
    del report.CompletionFlag
    path = tmp_path / "dose.dcm"
    dcmwrite(path, report, enforce_file_format=True)

    assert any("CompletionFlag" in line for line in complaints(dciodvfy, path))


@pytest.mark.parametrize(("plan", "view"), VIEWS, ids=lambda one: getattr(one, "code", one))
@pytest.mark.parametrize("labelled", [True, False], ids=["labelled", "unlabelled"])
def test_an_invented_intraoral_image_is_free_of_errors(
    dciodvfy: Path, tmp_path: Path, plan: str, view: View, labelled: bool
) -> None:
    patient = WHOLE_PATIENT if plan.startswith("dog") else BARE_PATIENT
    path = tmp_path / "image.dcm"
    dcmwrite(path, intraoral(patient, plan, view, labelled=labelled), enforce_file_format=True)

    assert complaints(dciodvfy, path) == []


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


def test_what_we_write_to_disk_of_a_received_object_is_free_of_errors(
    dciodvfy: Path, intake: Intake
) -> None:
    # given: the preamble and file meta information of a stored file are ours
    plan, view = VIEWS[0]
    objects = [
        intraoral(BARE_PATIENT, plan, view, labelled=True),
        dose_report(study(WHOLE_PATIENT), WITH_GENERATOR),
    ]
    for one in objects:
        one.file_meta.MediaStorageSOPClassUID = one.SOPClassUID
        one.file_meta.MediaStorageSOPInstanceUID = one.SOPInstanceUID
        assert send(intake.dicom_port, one).Status == 0x0000

    # then
    kept = intake.kept_files()
    assert len(kept) == len(objects)
    for path in kept:
        assert complaints(dciodvfy, intake.images / path) == []


def test_highdicom_reads_the_dose_reports_content(tmp_path: Path) -> None:
    # given
    path = tmp_path / "dose.dcm"
    dcmwrite(path, dose_report(study(WHOLE_PATIENT), WITH_GENERATOR), enforce_file_format=True)
    report = dcmread(path)

    # when: every item is checked for what its value type needs
    content = ContentSequence.from_sequence(report.ContentSequence, is_root=False)

    # then
    assert len(content) == len(report.ContentSequence)
    events = find_content_items(
        report, name=CodedConcept("113706", "DCM", "Irradiation Event X-Ray Data")
    )
    assert len(events) == 3
    kerma = find_content_items(
        report, name=CodedConcept("113738", "DCM", "Dose (RP)"), recursive=True
    )
    values = [
        float(item.MeasuredValueSequence[0].NumericValue)
        for item in kerma
        if item.MeasuredValueSequence
    ]
    assert values == pytest.approx([0.0016, 0.00044])
