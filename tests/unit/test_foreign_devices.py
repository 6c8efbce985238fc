"""A serial or detector id that is not a listed one becomes one question, and nothing is lost."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

import pytest

from schemas.conclusions import ExposureUse, Question, StudyAssessed
from schemas.envelope import Message, Payload
from schemas.facts import ExposureEnded
from schemas.group import Site
from services.assessment.foreign_devices import foreign_device_questions
from services.assessment.room_day import RoomDay
from services.assessment.rulebook import RULEBOOK
from services.assessment.study import assess_room_day
from services.assessment.study_exposures import StudyExposure
from tests.room_facts import ROOM, START, STUDY, exposure, image, order, rules, site

CODES = {"generator-serial-differs", "station-serial-differs", "detector-not-listed"}


def listing(**lists: Any) -> Site:
    """The invented site, with serials of its devices and its sensors."""
    at = site()
    devices = [
        device.model_copy(update={"serial": lists.get(device.name)}) for device in at.devices
    ]
    told = at.model_dump(mode="json") | {
        "devices": [device.model_dump(mode="json") for device in devices],
        "sensors": lists.get("sensors", []),
    }
    return Site.model_validate_json(json.dumps(told))


def assessed(facts: Iterable[Message[Payload]], at: Site) -> StudyAssessed:
    where = RoomDay("north", ROOM, START.date())
    return assess_room_day([order(), *facts], at, where, rules())[STUDY]


def asked(study: StudyAssessed) -> list[Question]:
    return [question for question in study.questions if question.code in CODES]


def test_an_exposure_of_another_serial_is_kept_and_asked_about_once() -> None:
    # given: three exposures of an exchanged unit, and one of the listed
    foreign = [exposure(n, 60.0 * n, generator_serial="INVENTED-0002") for n in (1, 2, 3)]
    images = [image(n, 60.0 * n + 3.0) for n in (1, 2, 3, 4)]
    facts = [*foreign, exposure(4, 240.0), *images]

    # when
    study = assessed(facts, listing(**{"generator-1": "INVENTED-0001"}))

    # then
    (question,) = asked(study)
    assert question.code == question.rule == "generator-serial-differs"
    assert question.words.startswith(
        "The serial INVENTED-0002 is not the one listed for generator-1 in dental-1 (INVENTED-0001)"
    )
    assert question.about == tuple(sorted(fact.natural_key for fact in foreign))
    assert len(study.exposures) == 4
    linked = [one.use for one in assessed(facts, listing()).exposures]
    assert [one.use for one in study.exposures] == linked
    assert ExposureUse.IMAGE in linked
    assert study.dose == assessed(facts, listing()).dose


def test_images_of_another_device_or_an_unlisted_detector_are_asked_about() -> None:
    # given
    facts = [
        image(1, 10.0, device_serial="INVENTED-S1", detector_id="INV-A"),
        image(2, 20.0, device_serial="INVENTED-S9", detector_id="INV-X"),
        image(3, 30.0, device_serial="INVENTED-S9", detector_id="INV-X"),
        image(4, 40.0),
    ]
    sensors = [{"name": "sensor-a", "detector_id": "INV-A"}, {"name": "sensor-b"}]

    # when
    study = assessed(facts, listing(**{"station-1": "INVENTED-S1", "sensors": sensors}))

    # then
    detector, station = asked(study)
    both = tuple(sorted(fact.natural_key for fact in facts[1:3]))
    assert (detector.code, detector.about) == ("detector-not-listed", both)
    assert (station.code, station.about) == ("station-serial-differs", both)
    assert "INV-X" in detector.words
    assert "INVENTED-S9" in station.words
    assert "station-1 (INVENTED-S1)" in station.words


@pytest.mark.parametrize(
    "lists",
    [
        {},
        {"generator-1": "INVENTED-0001", "station-1": "INVENTED-S1"},
        {"sensors": [{"name": "sensor-b"}]},
        {"sensors": [{"name": "sensor-a", "detector_id": "INV-A"}]},
    ],
)
def test_what_is_listed_or_not_listed_at_all_is_no_question(lists: dict[str, Any]) -> None:
    facts = [
        exposure(1, 7.0),
        image(1, 10.0, device_serial="INVENTED-S1", detector_id="INV-A"),
    ]

    assert asked(assessed(facts, listing(**lists))) == []


def test_a_very_long_list_of_keys_is_cut_and_every_rule_is_said() -> None:
    facts = [image(n, 10.0 * n, detector_id="INV-X") for n in range(1, 30)]
    at = listing(sensors=[{"name": "sensor-a", "detector_id": "INV-A"}])

    (question,) = asked(assessed(facts, at))

    assert len(question.about) == 20
    assert set(RULEBOOK) >= CODES


def test_an_image_that_tells_no_serial_hides_none_of_those_after_it() -> None:
    silent, elsewhere = image(1, 10.0), image(2, 20.0, station="not-listed", device_serial="X")
    foreign = image(3, 30.0, device_serial="INVENTED-S9")
    at = listing(**{"station-1": "INVENTED-S1"})

    (question,) = foreign_device_questions([silent, elsewhere, foreign], (), at)

    assert (question.code, question.about) == ("station-serial-differs", (foreign.natural_key,))


def test_each_foreign_serial_is_asked_about_on_its_own_in_the_order_of_devices() -> None:
    facts = [
        image(1, 10.0, device_serial="INVENTED-S9", detector_id="INV-Y"),
        image(2, 20.0, device_serial="INVENTED-S8", detector_id="INV-X"),
    ]
    sensors = [{"name": "sensor-a", "detector_id": "INV-A"}, {"name": "sensor-b"}]
    at = listing(**{"station-1": "INVENTED-S1", "sensors": sensors})

    asked_about = [
        (question.code, question.about) for question in foreign_device_questions(facts, (), at)
    ]

    first, second = ((fact.natural_key,) for fact in facts)
    assert asked_about == [
        ("station-serial-differs", second),
        ("station-serial-differs", first),
        ("detector-not-listed", second),
        ("detector-not-listed", first),
    ]


def test_a_generator_of_no_room_is_named_without_one() -> None:
    at = listing(**{"generator-1": "INVENTED-0001"})
    devices = [device.model_copy(update={"room": None}) for device in at.devices]
    foreign = exposure(1, 10.0, generator_serial="INVENTED-0002")
    told = foreign.payload
    assert isinstance(told, ExposureEnded)
    one = StudyExposure(foreign.natural_key, foreign.occurred_at, told, ExposureUse.NO_IMAGE)

    (question,) = foreign_device_questions([], [one], at.model_copy(update={"devices": devices}))

    assert question.words.startswith(
        "The serial INVENTED-0002 is not the one listed for generator-1 (INVENTED-0001). Was"
    )
