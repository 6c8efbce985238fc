"""The worklist as a station asks for it: every kind of matching, every return key, and cancel.

DCMTK's findscu asks. Matching rules of DICOM PS3.4 section C.2.2.2 and table K.6-1 (from memory).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from pydicom.dataset import Dataset

from schemas.facts import OrderPlaced
from tests.intake_support import HOST, WORKLIST, Intake, association
from tests.kept_orders import keep
from tests.servers.dcmtk import Dcmtk

MANY = 400
PATIENT: dict[str, Any] = OrderPlaced.EXAMPLES[0]["patient"]


def place(intake: Intake, *orders: dict[str, Any]) -> None:
    keep(intake, OrderPlaced, *(OrderPlaced.EXAMPLES[0] | changes for changes in orders))


def three_orders(intake: Intake) -> None:
    place(
        intake,
        {},
        {
            "order_id": "1002",
            "accession_number": "A1002",
            "study_instance_uid": "2.25.1002",
            "patient": PATIENT | {"patient_id": "P-1002", "name": "Invented Pimento"},
            "scheduled_at": "2026-03-02T10:30:00Z",
            "room": "dental-2",
        },
        {
            "order_id": "1003",
            "accession_number": "A1003",
            "study_instance_uid": "2.25.1003",
            "patient": PATIENT | {"patient_id": "P-2003", "name": "Invented Salt"},
            "scheduled_at": "2026-03-04T09:00:00Z",
        },
    )


def ask(intake: Intake, dcmtk: Dcmtk, *keys: str, options: tuple[str, ...] = ()) -> str:
    arguments = ["-v", "-W", *options, "-aet", "STATION1", "-aec", "GOMPHOSIS"]
    arguments += [HOST, str(intake.dicom_port)]
    for key in keys:
        arguments += ["-k", key]
    found = dcmtk.run("findscu", arguments)
    assert found.returncode == 0, found.stdout
    return found.stdout


STEP = "ScheduledProcedureStepSequence[0]."


@pytest.mark.parametrize(
    ("kind", "keys", "found"),
    [
        ("universal", ["AccessionNumber", "PatientName", "PatientID"], "A1001 A1002 A1003"),
        ("single value", ["AccessionNumber=A1002"], "A1002"),
        ("single value without a match", ["AccessionNumber=A9"], ""),
        (
            "list of UIDs",
            ["AccessionNumber", r"StudyInstanceUID=2.25.1001\2.25.1003"],
            "A1001 A1003",
        ),
        ("wildcard *", ["AccessionNumber", "PatientName=Invented P*"], "A1001 A1002"),
        ("wildcard ?", ["AccessionNumber", "PatientID=P-100?"], "A1001 A1002"),
        ("name in another case", ["AccessionNumber", "PatientName=*SALT"], "A1003"),
        (
            "range of dates",
            ["AccessionNumber", f"{STEP}ScheduledProcedureStepStartDate=20260301-20260303"],
            "A1001 A1002",
        ),
        (
            "range from a date on",
            ["AccessionNumber", f"{STEP}ScheduledProcedureStepStartDate=20260303-"],
            "A1003",
        ),
        (
            "range up to a date",
            ["AccessionNumber", f"{STEP}ScheduledProcedureStepStartDate=-20260302"],
            "A1001 A1002",
        ),
        (
            "date and range of times",
            [
                "AccessionNumber",
                f"{STEP}ScheduledProcedureStepStartDate=20260302",
                f"{STEP}ScheduledProcedureStepStartTime=110000-120000",
            ],
            "A1002",
        ),
        (
            "sequence by station title and modality",
            ["AccessionNumber", f"{STEP}ScheduledStationAETitle=STATION2", f"{STEP}Modality=IO"],
            "A1002",
        ),
        ("modality of another trade", ["AccessionNumber", f"{STEP}Modality=CT"], ""),
    ],
)
def test_findscu_finds_by_each_kind_of_matching(
    intake: Intake, dcmtk: Dcmtk, kind: str, keys: list[str], found: str
) -> None:
    del kind
    three_orders(intake)

    said = ask(intake, dcmtk, *keys)

    assert sorted(set(re.findall(r"\[(A\d{4}) *\]", _responses(said)))) == found.split()


def _responses(said: str) -> str:
    """What came back, without the request that findscu prints first."""
    return "".join(re.split(r"Find Response: \d+ \(Pending\)", said)[1:])


EVERY_KEY = (
    "AccessionNumber",
    "ReferringPhysicianName",
    "StudyInstanceUID",
    "RequestingPhysician",
    "RequestedProcedureDescription",
    "RequestedProcedureID",
    "RequestedProcedurePriority",
    "PatientTransportArrangements",
    "AdmissionID",
    "CurrentPatientLocation",
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "PatientSexNeutered",
    "PatientWeight",
    "PatientSpeciesDescription",
    "PatientBreedDescription",
    "ResponsiblePerson",
    "ResponsiblePersonRole",
    "ResponsibleOrganization",
    "ConfidentialityConstraintOnPatientDataDescription",
    "PatientState",
    "PregnancyStatus",
    "MedicalAlerts",
    "Allergies",
    "SpecialNeeds",
)
EVERY_SEQUENCE = (
    "ReferencedStudySequence",
    "ReferencedPatientSequence",
    "RequestedProcedureCodeSequence",
    "PatientSpeciesCodeSequence",
    "PatientBreedCodeSequence",
    "BreedRegistrationSequence",
)
EVERY_STEP_KEY = (
    "ScheduledStationAETitle",
    "ScheduledProcedureStepStartDate",
    "ScheduledProcedureStepStartTime",
    "Modality",
    "ScheduledPerformingPhysicianName",
    "ScheduledProcedureStepDescription",
    "ScheduledStationName",
    "ScheduledProcedureStepLocation",
    "PreMedication",
    "ScheduledProcedureStepID",
    "RequestedContrastAgent",
)


def every_key() -> Dataset:
    keys, step = Dataset(), Dataset()
    for keyword in EVERY_KEY:
        setattr(keys, keyword, None)
    for keyword in EVERY_SEQUENCE:
        setattr(keys, keyword, [])
    for keyword in EVERY_STEP_KEY:
        setattr(step, keyword, None)
    step.ScheduledProtocolCodeSequence = []
    keys.ScheduledProcedureStepSequence = [step]
    return keys


def test_universal_matching_returns_every_key_that_was_asked_for(intake: Intake) -> None:
    # given
    place(intake, {})

    # when
    with association(intake.dicom_port, WORKLIST) as peer:
        answers = list(peer.send_c_find(every_key(), WORKLIST))

    # then
    (status, item), (last, _) = answers
    assert (status.Status, last.Status) == (0xFF00, 0x0000)
    told = {element.keyword for element in item}
    assert set(EVERY_KEY) | set(EVERY_SEQUENCE) <= told
    (step,) = item.ScheduledProcedureStepSequence
    assert set(EVERY_STEP_KEY) <= {element.keyword for element in step}
    assert (item.PatientName, item.PatientSexNeutered) == ("Invented Pepper", "ALTERED")
    assert step.ScheduledStationAETitle == "STATION1"
    assert len(step.ScheduledProtocolCodeSequence) > 1


def many_orders(intake: Intake) -> None:
    start = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    place(
        intake,
        *(
            {
                "order_id": f"{number}",
                "accession_number": f"B{number}",
                "study_instance_uid": f"2.25.5{number:05}",
                "scheduled_at": (start + timedelta(minutes=number)).isoformat(),
            }
            for number in range(MANY)
        ),
    )


def test_a_station_that_cancels_after_its_page_gets_no_more(intake: Intake, dcmtk: Dcmtk) -> None:
    # given
    many_orders(intake)

    # when
    said = ask(intake, dcmtk, "AccessionNumber", options=("--cancel", "10"))

    # then
    answers = len(re.findall(r"Find Response: \d+ \(Pending\)", said))
    assert 10 <= answers < MANY
    assert re.search(r"Cancel", said.rpartition("Pending")[2]), said[-500:]


def test_the_association_goes_on_after_a_cancel(intake: Intake) -> None:
    # given
    many_orders(intake)
    keys = Dataset()
    keys.AccessionNumber = ""

    # when
    with association(intake.dicom_port, WORKLIST) as peer:
        (context,) = peer.accepted_contexts
        statuses = []
        for status, _ in peer.send_c_find(keys, WORKLIST, msg_id=7):
            statuses.append(status.Status)
            if len(statuses) == 5:
                peer.send_c_cancel(7, context.context_id)
        again = [status.Status for status, _ in peer.send_c_find(keys, WORKLIST, msg_id=8)]

    # then
    assert statuses[-1] == 0xFE00
    assert len(statuses) < MANY
    assert again == [0xFF00] * MANY + [0x0000]
