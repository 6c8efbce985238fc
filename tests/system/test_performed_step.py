"""Performed steps from a station in a process of its own, over a real association."""

from __future__ import annotations

import json
import signal
from base64 import b64decode
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from pydicom.dataset import Dataset
from pydicom.uid import UID
from pynetdicom.dsutils import decode

from schemas.facts import ExposureEnded, StepPerformed, StepStatus, StudyClosed
from services.intake.step_store import find_step
from services.runtime import triage
from tests.dicom_station import tell_steps
from tests.intake_process import IntakeProcess
from tests.intake_support import Intake, running_intake
from tests.performed_steps import STEP_UID, completion, creation, discontinuation, exposure


@pytest.fixture
def intake(tmp_path: Path) -> Iterator[Intake]:
    with running_intake(tmp_path / "data") as running:
        yield running


def statuses(intake: Intake, *messages: tuple[str, str, Dataset]) -> list[int]:
    return [answer["status"] for answer in tell_steps(intake.dicom_port, messages)]


def states(intake: Intake) -> list[StepStatus]:
    payloads = [fact.payload for fact in intake.facts("step_performed")]
    return [one.status for one in payloads if isinstance(one, StepPerformed)]


@pytest.mark.parametrize("database_url", ["sqlite", "postgresql"], indirect=True)
def test_a_step_is_begun_updated_and_completed_with_its_exposures(
    database_url: str, tmp_path: Path
) -> None:
    # given
    update = Dataset()
    update.SpecificCharacterSet = "ISO_IR 100"
    update.PerformedProcedureStepDescription = "Wärmebett (erfunden)"
    final = completion(ExposureDoseSequence=[exposure(), exposure(KVP="70")])

    with running_intake(tmp_path / "data", database_url) as intake:
        # when
        answers = statuses(
            intake,
            ("create", STEP_UID, creation(SpecificCharacterSet="ISO_IR 144", PatientName="Перец")),
            ("set", STEP_UID, update),
            ("set", STEP_UID, final),
        )

        # then
        assert answers == [0x0000] * 3
        assert states(intake) == [StepStatus.IN_PROGRESS, StepStatus.COMPLETED]
        exposures = [fact.payload for fact in intake.facts("exposure_ended")]
        assert [one.tube_kv for one in exposures if isinstance(one, ExposureEnded)] == [65.0, 70.0]
        assert {one.study_instance_uid for one in exposures if isinstance(one, ExposureEnded)} == {
            "2.25.1001"
        }
        assert intake.facts("study_closed") == []
        assert {fact.id for fact in intake.outbox()} == {fact.id for fact in intake.facts()}
        with intake.runtime.store.read() as connection:
            kept = find_step(connection, "north", STEP_UID)
        assert kept is not None
        assert kept.status is StepStatus.COMPLETED
        assert kept.attributes.PerformedProcedureStepDescription == "Wärmebett (erfunden)"
        assert kept.attributes.PatientName == "Перец"


def test_a_discontinued_step_tells_its_reason(intake: Intake) -> None:
    answers = statuses(
        intake, ("create", STEP_UID, creation()), ("set", STEP_UID, discontinuation("110502"))
    )

    assert answers == [0x0000, 0x0000]
    last = intake.facts("step_performed")[-1].payload
    assert isinstance(last, StepPerformed)
    assert (last.status, last.discontinuation_code) == (StepStatus.DISCONTINUED, "110502")


def test_each_wrong_message_gets_the_standards_status_and_changes_nothing(intake: Intake) -> None:
    # given
    ours, other = STEP_UID, "2.25.2002"

    # when
    answers = statuses(
        intake,
        ("create", ours, creation(Modality=None)),
        ("create", ours, creation(Modality="")),
        ("create", ours, creation(PerformedProcedureStepStatus="COMPLETED")),
        ("set", ours, completion()),
        ("create", ours, creation()),
        ("create", ours, creation()),
        ("set", other, completion()),
        ("set", ours, completion(PatientID="P-2")),
        ("set", ours, completion(PerformedSeriesSequence=[])),
        ("set", ours, completion(PerformedProcedureStepStatus="OVER")),
    )

    # then
    assert answers == [
        0x0120,
        0x0121,
        0x0106,
        0x0112,
        0x0000,
        0x0111,
        0x0112,
        0x0106,
        0x0121,
        0x0106,
    ]
    assert states(intake) == [StepStatus.IN_PROGRESS]


def test_a_refused_step_waits_in_triage_with_all_that_was_told(intake: Intake) -> None:
    told = creation(PerformedProcedureStepStatus="OVER")

    assert statuses(intake, ("create", STEP_UID, told)) == [0x0106]

    (entry,) = intake.triage()
    assert (entry.origin, entry.kind) == ("dicom-request", "step_performed")
    assert entry.field == "PerformedProcedureStepStatus (0040,0252)"
    assert "OVER" in entry.value
    assert "IN PROGRESS" in entry.expected
    with intake.runtime.store.begin() as connection:
        kept = triage.entry(connection, entry.id)
        assert kept is not None
        with pytest.raises(triage.TriageError, match="at the station"):
            triage.replay(connection, entry.id)
    body = json.loads(kept.body)
    assert (body["request"], body["station"]) == ("N-CREATE", "station-1")
    assert body["sop_instance_uid"] == STEP_UID
    syntax = UID(body["transfer_syntax_uid"])
    data_set = BytesIO(b64decode(body["data_set"]))
    assert decode(data_set, syntax.is_implicit_VR, syntax.is_little_endian) == told


def test_a_finished_step_refuses_changes_with_the_standards_error_id(intake: Intake) -> None:
    *_, refused = tell_steps(
        intake.dicom_port,
        [
            ("create", STEP_UID, creation()),
            ("set", STEP_UID, completion()),
            ("set", STEP_UID, discontinuation()),
        ],
    )

    assert (refused["status"], refused["error_id"]) == (0x0110, 0xA710)
    assert "PerformedProcedureStepStatus" in refused["comment"]
    assert states(intake) == [StepStatus.IN_PROGRESS, StepStatus.COMPLETED]


def test_a_step_belongs_to_the_station_that_created_it(intake: Intake) -> None:
    tell_steps(intake.dicom_port, [("create", STEP_UID, creation())])

    (answer,) = tell_steps(intake.dicom_port, [("set", STEP_UID, completion())], "STATION2")

    assert answer["status"] == 0x0124
    assert states(intake) == [StepStatus.IN_PROGRESS]


def test_exposures_that_are_told_again_at_the_end_count_once(intake: Intake) -> None:
    told = {"ExposureDoseSequence": [exposure(), exposure()]}
    update = Dataset()
    update.ExposureDoseSequence = told["ExposureDoseSequence"]

    answers = statuses(
        intake,
        ("create", STEP_UID, creation()),
        ("set", STEP_UID, update),
        ("set", STEP_UID, completion(**told)),
    )

    assert answers == [0x0000] * 3
    assert len(intake.facts("exposure_ended")) == 2
    assert intake.triage() == []


def test_an_exposure_without_a_known_generator_waits_for_a_person(intake: Intake) -> None:
    final = completion(ExposureDoseSequence=[exposure()])
    messages = [("create", STEP_UID, creation()), ("set", STEP_UID, final)]

    answers = tell_steps(intake.dicom_port, messages, "STATION2")

    assert [one["status"] for one in answers] == [0x0000, 0x0000]
    (entry,) = intake.triage()
    assert entry.field == "payload.generator"
    with intake.runtime.store.read() as connection:
        body = connection.exec_driver_sql("SELECT body FROM runtime_triage").scalar_one()
    assert json.loads(body)["payload"]["exposure_ms"] == 120.0


def test_a_site_may_let_a_completed_step_close_its_study(tmp_path: Path) -> None:
    with running_intake(tmp_path / "data", close_on_completed_step=True) as intake:
        messages = [("create", STEP_UID, creation()), ("set", STEP_UID, completion())]

        tell_steps(intake.dicom_port, messages)

        (closing,) = intake.facts("study_closed")
        assert isinstance(closing.payload, StudyClosed)
        assert closing.payload.study_instance_uid == "2.25.1001"


def test_a_step_that_was_acknowledged_survives_a_kill(tmp_path: Path) -> None:
    # given
    process = IntakeProcess(tmp_path)
    process.start()
    try:
        messages = [("create", STEP_UID, creation())]
        assert [one["status"] for one in tell_steps(process.dicom_port, messages)] == [0x0000]

        # when
        process.end(signal.SIGKILL)
        process.start()

        # then
        messages = [("create", STEP_UID, creation()), ("set", STEP_UID, completion())]
        again = [one["status"] for one in tell_steps(process.dicom_port, messages)]
        assert again == [0x0111, 0x0000]
    finally:
        process.close()
