"""What a sensor has been through follows from the facts alone, in any order."""

from __future__ import annotations

import json
import random
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import (
    ExposureEnded,
    FactWithdrawn,
    ImageStored,
    OrderPlaced,
    PatientMerged,
    ReadinessChecked,
    SensorFaulted,
    SensorHanded,
    SensorTested,
)
from schemas.group import Sensor, Site
from schemas.messages import read_payload
from services.intake.sensors import SensorWear, wear_of
from tests.intake_support import GROUP

SENSORS = (
    Sensor(name="sensor-a", room="dental-1", detector_id="INV-A", test_every_days=30),
    Sensor(name="sensor-b"),
)
SITE = Site.model_validate_json(json.dumps(GROUP["sites"][0])).model_copy(
    update={"sensors": SENSORS}
)
START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
TODAY = date(2026, 3, 10)


def fact(kind: type[Payload], minute: int = 0, **changes: Any) -> Message[Payload]:
    told = json.loads(json.dumps(kind.EXAMPLES[0] | changes))
    at = START + timedelta(minutes=minute)
    return Message(
        id=new_id(),
        group="invented-group",
        site="north",
        occurred_at=at,
        received_at=at,
        source=Source(kind="person", name="tech-1"),
        correlation_id="test-1",
        payload=read_payload(kind.KIND, kind.VERSION, told),
    )


def image(number: int, study: str = "2.25.1001", patient: str = "P-1001", **more: Any) -> Any:
    told = {"sensor": "sensor-a", "sop_instance_uid": f"2.25.{number}"} | more
    return fact(ImageStored, number, study_instance_uid=study, patient_id=patient, **told)


def wear(*facts: Message[Payload], sensor: str = "sensor-a", today: date = TODAY) -> SensorWear:
    told = list(facts)
    found = wear_of(SITE, told, today)
    random.Random(1).shuffle(told)
    assert wear_of(SITE, told, today) == found
    return next(one for one in found if one.sensor == sensor)


def test_a_listed_sensor_of_which_nothing_is_told_is_shown_with_its_rule() -> None:
    found = wear()

    assert (found.exposures, found.images, found.patients, found.covers) == (0, 0, 0, 0)
    assert (found.room, found.room_words) == ("dental-1", "dental-1, its own room")
    assert (found.last_test, found.test_due, found.test_is_due) == (None, None, True)
    assert found.words == ("no constancy test told yet",)


def test_exposures_images_and_patients_are_counted_by_sensor() -> None:
    facts = [
        image(1),
        image(2),
        image(3, "2.25.2001", "P-2001"),
        image(4, sensor="sensor-b"),
        image(5, sensor=None),
        fact(ExposureEnded, 1, sensor="sensor-a", exposure_counter=1),
        fact(ExposureEnded, 2, exposure_counter=2),
    ]

    found = wear(*facts)

    assert (found.exposures, found.images, found.patients) == (1, 3, 2)
    assert (found.last_used_at, found.last_used_room) == (START + timedelta(minutes=3), "dental-1")
    assert wear(*facts, sensor="sensor-b").images == 1


def test_an_exposure_told_by_generator_and_dose_report_counts_once() -> None:
    both = [
        fact(ExposureEnded, 1, sensor="sensor-a", exposure_counter=1),
        fact(
            ExposureEnded, 1, sensor="sensor-a", exposure_counter=None,
            told_by="dose_report", irradiation_event_uid="2.25.9", study_instance_uid="2.25.1001",
        ),
    ]  # fmt: skip

    assert wear(*both).exposures == 1


def test_patients_that_were_merged_are_one() -> None:
    merged = fact(PatientMerged, 9, kept_patient_id="P-1001", retired_patient_id="P-0900")

    assert wear(image(1), image(2, "2.25.2001", "P-0900")).patients == 2
    assert wear(image(1), image(2, "2.25.2001", "P-0900"), merged).patients == 1


def test_an_order_tells_whose_study_an_exposure_was() -> None:
    shot = fact(ExposureEnded, 1, sensor="sensor-a", study_instance_uid="2.25.1001")

    assert wear(shot).patients == 0
    assert wear(shot, fact(OrderPlaced)).patients == 1


def test_covers_are_counted_and_a_study_with_none_is_named() -> None:
    images = [image(1), image(2, "2.25.2001", "P-2001"), image(3, "2.25.3001", "P-3001")]
    covers = [
        fact(ReadinessChecked, 4, sensor="sensor-a"),
        # Without a sensor's name: the study used this one alone.
        fact(ReadinessChecked, 5, study_instance_uid="2.25.2001"),
        fact(ReadinessChecked, 6, study_instance_uid="2.25.3001", new_sensor_cover=False),
    ]

    found = wear(*images, *covers)

    assert found.covers == 2
    assert found.studies_without_cover == ("2.25.3001",)
    assert "1 study with no new cover told" in found.words


def test_a_cover_without_a_sensor_is_given_to_none_where_the_study_used_two() -> None:
    facts = [image(1), image(2, sensor="sensor-b"), fact(ReadinessChecked, 3)]

    assert wear(*facts).covers == 0
    assert wear(*facts, sensor="sensor-b").covers == 0


@pytest.mark.parametrize(
    ("today", "due"), [(date(2026, 3, 31), False), (date(2026, 4, 1), True), (TODAY, False)]
)
def test_the_next_test_is_due_by_the_rule_of_the_site(today: date, due: bool) -> None:
    found = wear(fact(SensorTested, 0), today=today)

    assert found.test_due == date(2026, 4, 1)
    assert found.test_is_due is due
    assert any("due since 2026-04-01" in words for words in found.words) is due


def test_without_a_rule_no_test_is_due() -> None:
    found = wear(fact(SensorTested, sensor="sensor-b"), sensor="sensor-b")

    assert (found.test_due, found.test_is_due, found.words) == (None, False, ())


def test_the_day_of_a_test_is_that_of_the_site() -> None:
    # 2 March 23:30 UTC is 3 March in Vienna.
    found = wear(fact(SensorTested, 14 * 60 + 30))

    assert found.test_due == date(2026, 4, 2)


def test_a_test_that_did_not_pass_and_a_fault_after_it_are_said() -> None:
    facts = [
        fact(SensorTested, 1),
        fact(SensorFaulted, 2),
        fact(SensorTested, 3, passed=False),
    ]

    found = wear(*facts)

    assert found.last_test is not None
    assert not found.last_test.passed
    assert found.words == (
        "the last constancy test did not pass",
        "a fault since the last test passed: Cable bitten at the plug (invented)",
    )
    assert wear(*facts, fact(SensorTested, 4)).words == ()


def test_a_sensor_is_where_it_was_handed_last_and_use_elsewhere_is_said() -> None:
    found = wear(fact(SensorHanded, 1), image(2))

    assert found.room == "dental-2"
    assert found.room_words == "dental-2, handed there at 2026-03-02 09:01 UTC"
    assert "last used in dental-1, not in dental-2" in found.words


def test_what_a_person_took_back_does_not_count_and_a_withdrawal_may_be_taken_back() -> None:
    handed = fact(SensorHanded, 1)
    back = fact(FactWithdrawn, 2, withdrawn_key=handed.natural_key)
    again = fact(FactWithdrawn, 3, withdrawn_key=back.natural_key)

    assert wear(handed, back).room == "dental-1"
    assert wear(handed, back, again).room == "dental-2"


def test_what_a_device_told_is_not_taken_back() -> None:
    shown = image(1)

    assert wear(shown, fact(FactWithdrawn, 2, withdrawn_key=shown.natural_key)).images == 1


def test_a_sensor_that_no_list_has_is_shown_last_and_said_to_be_unlisted() -> None:
    found = wear_of(SITE, [image(1, sensor="another")], TODAY)

    assert [one.sensor for one in found] == ["sensor-a", "sensor-b", "another"]
    assert "not in the site's list" in found[-1].words[0]


@pytest.mark.parametrize(
    ("sensors", "expected"),
    [
        ([{"name": "a"}, {"name": "a"}], "name of its own"),
        ([{"name": "a", "detector_id": "X"}, {"name": "b", "detector_id": "X"}], "detector_id"),
        ([{"name": "a", "room": "nowhere"}], "the room of a"),
    ],
)
def test_a_list_of_sensors_that_cannot_be_told_apart_is_refused(
    sensors: list[dict[str, Any]], expected: str
) -> None:
    with pytest.raises(ValueError, match=expected):
        Site.model_validate_json(json.dumps(GROUP["sites"][0] | {"sensors": sensors}))


def test_a_detector_id_names_its_sensor() -> None:
    assert SITE.sensor_of("INV-A") == "sensor-a"
    assert SITE.sensor_of("INV-Z") is None
    assert SITE.sensor_of(None) is None
