"""What a station may say of a performed step, and what follows from it.

Rules of DICOM PS3.4 table F.7.2-1 and section F.7.2.2, read in part: N-CREATE only IN PROGRESS
(0106), N-SET only while in progress (0110), patient and scheduled step not in an N-SET, reason
for discontinuing only where it was created, series needed in the final state. The rest of the
table is from memory.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from pydicom.dataset import Dataset

from schemas.envelope import Envelope
from schemas.facts import ExposureEnded, StepPerformed, StepStatus, StudyClosed, ToldBy
from schemas.group import Group
from services.intake.step_facts import StepFacts, Teller, facts_of
from services.intake.step_rules import (
    StepRefused,
    changed,
    check_creation,
    status_of,
)
from services.intake.step_store import KeptStep
from tests.intake_support import GROUP
from tests.performed_steps import (
    STEP_UID,
    completion,
    creation,
    discontinuation,
    exposure,
    scheduled,
    series,
)

OUR_GROUP = Group.model_validate_json(json.dumps(GROUP))
RECEIVED_AT = datetime(2026, 3, 2, 9, 46, tzinfo=UTC)


def facts(attributes: Dataset, station: str = "station-1", *, closes: bool = False) -> StepFacts:
    site = OUR_GROUP.site("north")
    device = site.device(station)
    assert device is not None
    step = KeptStep(STEP_UID, station, "2.25.1001", status_of(attributes), attributes)
    return facts_of(step, Teller("g", site, device, RECEIVED_AT), closes_study=closes)


def test_a_whole_creation_is_taken() -> None:
    check_creation(creation())


@pytest.mark.parametrize(
    "keyword",
    [
        "ScheduledStepAttributesSequence",
        "PatientName",
        "PatientID",
        "PerformedProcedureStepID",
        "PerformedStationAETitle",
        "PerformedProcedureStepStartDate",
        "PerformedProcedureStepStartTime",
        "PerformedProcedureStepStatus",
        "Modality",
        "PerformedSeriesSequence",
    ],
)
def test_a_creation_without_a_required_attribute_is_refused(keyword: str) -> None:
    with pytest.raises(StepRefused, match=keyword) as refusal:
        check_creation(creation(**{keyword: None}))

    assert refusal.value.status == 0x0120


@pytest.mark.parametrize(
    "keyword",
    [
        "PerformedProcedureStepID",
        "PerformedStationAETitle",
        "PerformedProcedureStepStartDate",
        "PerformedProcedureStepStatus",
        "Modality",
        "ScheduledStepAttributesSequence",
    ],
)
def test_a_creation_with_an_empty_required_value_is_refused(keyword: str) -> None:
    empty: Any = [] if keyword.endswith("Sequence") else ""

    with pytest.raises(StepRefused, match=keyword) as refusal:
        check_creation(creation(**{keyword: empty}))

    assert refusal.value.status == 0x0121


@pytest.mark.parametrize("keyword", ["PatientName", "PatientID", "StudyID"])
def test_a_creation_may_leave_some_values_empty(keyword: str) -> None:
    check_creation(creation(**{keyword: ""}))


def test_a_creation_without_its_study_is_refused() -> None:
    for item, status in [
        (scheduled(StudyInstanceUID=None), 0x0120),
        (scheduled(StudyInstanceUID=""), 0x0121),
    ]:
        with pytest.raises(StepRefused, match="StudyInstanceUID") as refusal:
            check_creation(creation(ScheduledStepAttributesSequence=[item]))
        assert refusal.value.status == status


@pytest.mark.parametrize("status", ["COMPLETED", "DISCONTINUED", "SCHEDULED", "in progress"])
def test_a_step_is_created_in_progress_only(status: str) -> None:
    with pytest.raises(StepRefused, match="PerformedProcedureStepStatus") as refusal:
        check_creation(creation(PerformedProcedureStepStatus=status))

    assert refusal.value.status == 0x0106


def test_a_step_of_two_studies_is_refused() -> None:
    items = [scheduled(), scheduled(StudyInstanceUID="2.25.1009")]

    with pytest.raises(StepRefused, match="one study") as refusal:
        check_creation(creation(ScheduledStepAttributesSequence=items))

    assert refusal.value.status == 0x0106


def test_a_change_replaces_what_it_names_and_keeps_the_rest() -> None:
    # given
    kept, change = creation(), Dataset()
    change.PerformedProcedureStepDescription = "Left side first"

    # when
    after = changed(kept, change)

    # then
    assert after.PerformedProcedureStepDescription == "Left side first"
    assert after.PatientID == "P-1001"
    assert status_of(after) is StepStatus.IN_PROGRESS
    assert kept.PerformedProcedureStepDescription == ""


def test_a_sequence_is_replaced_as_a_whole() -> None:
    kept = creation(PerformedSeriesSequence=[series(), series(SeriesInstanceUID="2.25.3")])

    after = changed(kept, completion())

    assert [item.SeriesInstanceUID for item in after.PerformedSeriesSequence] == ["2.25.1002"]


@pytest.mark.parametrize("value", [b"ab", b""])
def test_series_that_are_no_sequence_are_refused(value: bytes) -> None:
    change = completion(PerformedSeriesSequence=None)
    change.add_new("PerformedSeriesSequence", "OB", value)

    with pytest.raises(StepRefused, match="PerformedSeriesSequence") as refusal:
        changed(creation(), change)

    assert refusal.value.status == 0x0106


@pytest.mark.parametrize(
    "keyword",
    ["PatientID", "PatientName", "PerformedProcedureStepID", "PerformedProcedureStepStartDate"],
)
def test_a_change_of_what_only_the_creation_tells_is_refused(keyword: str) -> None:
    change = completion(**{keyword: getattr(creation(), keyword)})

    with pytest.raises(StepRefused, match=keyword) as refusal:
        changed(creation(), change)

    assert refusal.value.status == 0x0106


@pytest.mark.parametrize("final", [completion(), discontinuation()])
def test_a_finished_step_may_no_longer_be_changed(final: Dataset) -> None:
    finished = changed(creation(), final)

    with pytest.raises(StepRefused, match="no longer") as refusal:
        changed(finished, completion())

    assert (refusal.value.status, refusal.value.error_id) == (0x0110, 0xA710)


def test_a_reason_for_discontinuing_needs_its_place_from_the_creation() -> None:
    keyword = "PerformedProcedureStepDiscontinuationReasonCodeSequence"

    with pytest.raises(StepRefused, match=keyword) as refusal:
        changed(creation(**{keyword: None}), discontinuation())

    assert refusal.value.status == 0x0105


@pytest.mark.parametrize(
    ("changes", "status", "keyword"),
    [
        ({"PerformedProcedureStepEndDate": None}, 0x0121, "PerformedProcedureStepEndDate"),
        ({"PerformedProcedureStepEndTime": ""}, 0x0121, "PerformedProcedureStepEndTime"),
        ({"PerformedSeriesSequence": None}, 0x0121, "PerformedSeriesSequence"),
        ({"PerformedSeriesSequence": []}, 0x0121, "PerformedSeriesSequence"),
        ({"PerformedSeriesSequence": [series(ProtocolName=None)]}, 0x0120, "ProtocolName"),
        ({"PerformedSeriesSequence": [series(ProtocolName="")]}, 0x0121, "ProtocolName"),
        ({"PerformedSeriesSequence": [series(SeriesInstanceUID="")]}, 0x0121, "SeriesInstanceUID"),
        ({"PerformedProcedureStepStatus": "OVER"}, 0x0106, "PerformedProcedureStepStatus"),
    ],
)
def test_a_final_state_that_is_not_whole_is_refused(
    changes: dict[str, Any], status: int, keyword: str
) -> None:
    with pytest.raises(StepRefused, match=keyword) as refusal:
        changed(creation(), completion(**changes))

    assert refusal.value.status == status


def test_a_series_without_an_image_is_enough_to_finish() -> None:
    after = changed(creation(), completion())

    assert status_of(after) is StepStatus.COMPLETED


def test_each_state_of_a_step_is_a_fact_of_its_own_time() -> None:
    # given
    begun = facts(creation())
    ended = facts(changed(creation(), discontinuation()))

    # when
    (first,), (last,) = begun.messages, ended.messages

    # then: 10:15 and 10:45 in Vienna
    assert (first.occurred_at.hour, last.occurred_at.hour, last.occurred_at.minute) == (9, 9, 45)
    assert last.source_clock == "20260302 104500"
    assert isinstance(first.payload, StepPerformed)
    assert isinstance(last.payload, StepPerformed)
    assert first.payload.status is StepStatus.IN_PROGRESS
    assert (last.payload.status, last.payload.discontinuation_code) == (
        StepStatus.DISCONTINUED,
        "110515",
    )
    assert first.natural_key != last.natural_key


def test_a_time_that_cannot_be_read_is_refused() -> None:
    with pytest.raises(StepRefused, match="StartDate") as refusal:
        facts(creation(PerformedProcedureStepStartTime="half past"))

    assert refusal.value.status == 0x0106


def test_an_offset_that_is_none_is_kept_in_the_reading_as_far_as_a_fact_has_room() -> None:
    told = facts(creation(TimezoneOffsetFromUTC="*" * 64))

    assert told.messages[0].source_clock == "20260302 101500 " + "*" * 48


def test_exposures_of_a_step_become_facts_that_a_repeat_does_not_change() -> None:
    # given
    step = changed(creation(), completion(ExposureDoseSequence=[exposure(), exposure(KVP="70")]))

    # when
    once, again = facts(step), facts(step)

    # then
    told = [one.payload for one in once.messages if isinstance(one.payload, ExposureEnded)]
    assert [one.tube_kv for one in told] == [65.0, 70.0]
    assert {one.told_by for one in told} == {ToldBy.PERFORMED_STEP}
    assert {(one.generator, one.generator_serial) for one in told} == {
        ("generator-1", "INVENTED-0001")
    }
    keys = [one.natural_key for one in once.messages]
    assert keys == [one.natural_key for one in again.messages]
    assert len(set(keys)) == 3


def test_an_exposure_of_a_room_without_a_known_generator_is_put_to_a_person() -> None:
    step = changed(creation(), completion(ExposureDoseSequence=[exposure()]))

    told = facts(step, "station-2")

    (unplaced,) = told.unplaced
    assert unplaced.error.field == "payload.generator"
    envelope = Envelope.model_validate_json(unplaced.body)
    assert (envelope.kind, envelope.payload["tube_kv"]) == ("exposure_ended", 65.0)
    assert [type(one.payload) for one in told.messages] == [StepPerformed]


def test_a_completed_step_closes_its_study_only_by_the_sites_rule() -> None:
    completed = changed(creation(), completion())
    discontinued = changed(creation(), discontinuation())

    def closings(step: Dataset, *, closes: bool) -> int:
        told = facts(step, closes=closes).messages
        return sum(isinstance(one.payload, StudyClosed) for one in told)

    assert closings(completed, closes=True) == 1
    assert closings(completed, closes=False) == 0
    assert closings(discontinued, closes=True) == 0
    assert closings(creation(), closes=True) == 0
