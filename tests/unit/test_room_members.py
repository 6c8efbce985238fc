"""How exposures and images are laid out for linking, and that what is remembered is the same."""

from typing import Any

import pytest

from schemas.conclusions import ExposureUse
from schemas.facts import ExposureEnded, ImageStored
from schemas.facts.exposure import Receptor, ToldBy
from services.assessment.room_members import (
    Members,
    exposure_member,
    image_member,
    without_image,
)
from services.assessment.tellings import ToldExposure
from tests.room_facts import exposure, image, site

DEVICES = {device.name: device for device in site().devices}
GENERATOR = next(device for device in DEVICES.values() if device.presets)
PRESET = min(GENERATOR.presets)


def told(number: int = 1, **values: object) -> ToldExposure:
    fact = exposure(number, 0.0, generator=GENERATOR.name, **values)
    assert isinstance(fact.payload, ExposureEnded)
    return ToldExposure(fact.natural_key, fact, fact.payload)


def test_the_teeth_of_an_exposure_are_those_of_its_preset_by_the_sites_data() -> None:
    assert exposure_member(told(preset=PRESET), DEVICES).teeth == set(GENERATOR.presets[PRESET])
    assert exposure_member(told(preset="no-such-preset"), DEVICES).teeth == frozenset()
    assert exposure_member(told(preset=PRESET), {}).teeth == frozenset()


def test_whoever_tells_by_another_clock_is_another_device() -> None:
    own = exposure_member(told(), DEVICES)
    report = exposure_member(told(told_by=ToldBy.DOSE_REPORT, exposure_counter=None), DEVICES)

    assert (own.device, report.device) == (GENERATOR.name, f"{GENERATOR.name} by dose_report")


def test_what_is_remembered_is_the_same_as_what_is_made_anew() -> None:
    members, one, other = Members(most=1), told(), told(preset=PRESET)
    seen = image(1, 3.0).payload
    assert isinstance(seen, ImageStored)

    first, again = members.exposure(one, DEVICES), members.exposure(one, DEVICES)
    assert first is again
    assert first == exposure_member(one, DEVICES)
    assert members.exposure(other, DEVICES) == exposure_member(other, DEVICES)
    assert members.image(seen) is members.image(seen)
    assert members.image(seen).key == seen.sop_instance_uid


@pytest.mark.parametrize(
    ("receptor", "plate"),
    [
        (None, None),
        (Receptor.STORAGE_PHOSPHOR_PLATE, True),
        (Receptor.DIRECT_SENSOR, False),
    ],
)
def test_an_exposure_is_on_a_plate_where_its_receptor_is_told_to_be_one(
    receptor: Receptor | None, plate: bool | None
) -> None:
    assert exposure_member(told(receptor=receptor), DEVICES).plate is plate


def test_an_image_is_laid_out_with_what_its_header_tells() -> None:
    seen = seen_image(4, teeth=(309, 310), tube_kv=60.0)
    laid_out = image_member(seen)

    assert (laid_out.key, laid_out.study) == (seen.sop_instance_uid, seen.study_instance_uid)
    assert (laid_out.device, laid_out.at_s) == (seen.station, seen.acquired_at.timestamp())
    assert (laid_out.tube_kv, laid_out.teeth) == (60.0, frozenset({309, 310}))


def seen_image(number: int, **values: Any) -> ImageStored:
    payload = image(number, 3.0, **values).payload
    assert isinstance(payload, ImageStored)
    return payload


def test_no_more_is_remembered_than_was_asked_for() -> None:
    members, ones = Members(most=2), [told(n) for n in range(3)]
    images = [seen_image(n) for n in range(3)]
    first = [members.exposure(one, DEVICES) for one in ones[:2]]
    pictures = [members.image(one) for one in images[:2]]

    # given: both are still known
    assert [
        members.exposure(one, DEVICES) is kept for one, kept in zip(ones[:2], first, strict=True)
    ] == [True] * 2
    assert [members.image(one) is kept for one, kept in zip(images[:2], pictures, strict=True)] == [
        True
    ] * 2

    # when: one more comes, all before it are forgotten
    last, picture = members.exposure(ones[2], DEVICES), members.image(images[2])

    assert members.exposure(ones[2], DEVICES) is last
    assert members.image(images[2]) is picture
    assert members.exposure(ones[0], DEVICES) is not first[0]
    assert members.image(images[0]) is not pictures[0]


def test_what_is_told_anew_of_the_same_key_is_laid_out_anew() -> None:
    members, one = Members(), told()
    changed = ToldExposure(one.key, one.fact, one.told.model_copy(update={"tube_kv": 70.0}))
    picture = seen_image(1)

    assert members.exposure(one, DEVICES).tube_kv == 65.0
    assert members.exposure(changed, DEVICES).tube_kv == 70.0
    # The fact tells the time, also where it tells the same exposure.
    later = ToldExposure(one.key, exposure(1, 9.0), changed.told)
    assert members.exposure(later, DEVICES).at_s == later.fact.occurred_at.timestamp()
    assert members.image(picture).teeth == frozenset()
    assert members.image(picture.model_copy(update={"teeth": (309,)})).teeth == {309}


def test_an_exposure_without_image_says_why_and_counts_unless_it_may_be_told_twice() -> None:
    alone = without_image(told(), "invented reason")
    assert (alone.use, alone.reasons, alone.summed) == (
        ExposureUse.NO_IMAGE,
        ("invented reason",),
        True,
    )

    one = told(exposure_ms=60.0, set_exposure_ms=120.0)
    twice = ToldExposure(one.key, one.fact, one.told, ("other",), ("same",), "exposure:7")
    found = without_image(twice, "not said")
    assert (found.use, found.summed, found.perhaps) == (
        ExposureUse.ENDED_EARLY,
        False,
        "exposure:7",
    )
    assert found.reasons == ("may be another telling of exposure:7; waits for a person", "same")
    assert found.others == ("other",)
