"""The worklist by each key, by state and by site: pynetdicom asks, and once DCMTK."""

from __future__ import annotations

from typing import Any

import pytest
from pydicom.dataset import Dataset

from schemas.facts import OrderCancelled, OrderPlaced
from schemas.plans import load_plans
from tests.intake_support import HOST, WORKLIST, Intake, association
from tests.kept_orders import keep
from tests.servers.dcmtk import Dcmtk


def place_order(intake: Intake, site: str = "north", **changes: Any) -> None:
    keep(intake, OrderPlaced, OrderPlaced.EXAMPLES[0] | changes, site=site)


def find(intake: Intake, keys: Dataset, **titles: str) -> list[tuple[int, Dataset]]:
    with association(intake.dicom_port, WORKLIST, **titles) as peer:
        assert peer.is_established
        answers = list(peer.send_c_find(keys, WORKLIST))
    assert answers[-1][0].Status == 0x0000, answers[-1][0]
    return [(status.Status, item) for status, item in answers[:-1]]


def step_keys(**values: str) -> Dataset:
    step = Dataset()
    step.ScheduledStationAETitle = ""
    step.ScheduledProcedureStepStartDate = ""
    step.ScheduledProcedureStepStartTime = ""
    step.Modality = ""
    step.ScheduledProtocolCodeSequence = []
    for keyword, value in values.items():
        if keyword.startswith("Scheduled") or keyword == "Modality":
            setattr(step, keyword, value)
    keys = Dataset()
    keys.PatientID = ""
    keys.PatientName = ""
    keys.AccessionNumber = ""
    keys.StudyInstanceUID = ""
    for keyword, value in values.items():
        if not (keyword.startswith("Scheduled") or keyword == "Modality"):
            setattr(keys, keyword, value)
    keys.ScheduledProcedureStepSequence = [step]
    return keys


def test_a_station_finds_its_planned_views_in_the_worklist(intake: Intake) -> None:
    # given
    place_order(intake)

    # when
    ((status, item),) = find(intake, step_keys(ScheduledStationAETitle="STATION1"))

    # then
    assert status == 0xFF00
    assert (item.PatientID, item.AccessionNumber) == ("P-1001", "A1001")
    assert item.StudyInstanceUID == "2.25.1001"
    (step,) = item.ScheduledProcedureStepSequence
    assert (step.ScheduledProcedureStepStartDate, step.ScheduledProcedureStepStartTime) == (
        "20260302",
        "100000",
    )
    codes = [
        code.get("LongCodeValue") or code.CodeValue for code in step.ScheduledProtocolCodeSequence
    ]
    assert codes == [view.code for view in load_plans()["dog-full-mouth"].views]


@pytest.mark.parametrize(
    ("keys", "found"),
    [
        ({}, 3),
        ({"ScheduledStationAETitle": "STATION1"}, 2),
        ({"ScheduledStationAETitle": "STATION2"}, 1),
        ({"ScheduledStationAETitle": "NOBODY"}, 0),
        ({"Modality": "IO"}, 3),
        ({"Modality": "CT"}, 0),
        ({"ScheduledProcedureStepStartDate": "20260302"}, 2),
        ({"ScheduledProcedureStepStartDate": "20260303-"}, 1),
        (
            {
                "ScheduledProcedureStepStartDate": "20260302",
                "ScheduledProcedureStepStartTime": "1000-1059",
            },
            1,
        ),
        ({"PatientName": "*pepper"}, 2),
        ({"PatientID": "P-100?"}, 3),
        ({"PatientID": "P-1003"}, 1),
        ({"AccessionNumber": "A1002"}, 1),
        ({"StudyInstanceUID": "2.25.1003"}, 1),
    ],
)
def test_the_worklist_answers_by_key(intake: Intake, keys: dict[str, str], found: int) -> None:
    # given
    patient = OrderPlaced.EXAMPLES[0]["patient"]
    place_order(intake)
    place_order(
        intake,
        order_id="1002",
        accession_number="A1002",
        study_instance_uid="2.25.1002",
        patient=patient | {"patient_id": "P-1002"},
        scheduled_at="2026-03-02T10:30:00Z",
        room="dental-2",
    )
    place_order(
        intake,
        order_id="1003",
        accession_number="A1003",
        study_instance_uid="2.25.1003",
        patient=patient | {"patient_id": "P-1003", "name": "Invented Salt"},
        scheduled_at="2026-03-03T09:00:00Z",
    )

    # when, then
    assert len(find(intake, step_keys(**keys))) == found


def test_a_cancelled_order_and_another_sites_order_are_not_on_the_worklist(intake: Intake) -> None:
    # given
    place_order(intake)
    place_order(intake, site="south", order_id="2001", room="dental-9")
    keep(intake, OrderCancelled, OrderCancelled.EXAMPLES[0])

    # when, then
    assert find(intake, step_keys()) == []
    assert len(find(intake, step_keys(), calling="STATION9", called="GOMPH_SOUTH")) == 1


def test_a_key_that_is_not_supported_is_told_by_the_status(intake: Intake) -> None:
    place_order(intake)
    keys = step_keys()
    keys.EthnicGroup = ""

    ((status, item),) = find(intake, keys)

    assert status == 0xFF01
    assert "EthnicGroup" not in item


def test_dcmtk_finds_the_worklist(intake: Intake, dcmtk: Dcmtk) -> None:
    # given
    place_order(intake)
    keys = [
        "0010,0010=*PEPPER*",
        "0040,0100[0].0040,0001=STATION1",
        "0040,0100[0].0040,0002=20260302",
        "0040,0100[0].0040,0008",
    ]

    # when
    arguments = ["-W", "-aet", "STATION1", "-aec", "GOMPHOSIS", HOST, str(intake.dicom_port)]
    for key in keys:
        arguments += ["-k", key]
    found = dcmtk.run("findscu", arguments)

    # then
    assert found.returncode == 0, found.stdout
    assert "Invented Pepper" in found.stdout
    assert "mand-premolars-r" in found.stdout
