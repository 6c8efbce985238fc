"""How exposures and images are laid out for linking, and that what is remembered is the same."""

from schemas.facts import ExposureEnded, ImageStored
from schemas.facts.exposure import ToldBy
from services.assessment.room_members import Members, exposure_member
from services.assessment.tellings import ToldExposure
from tests.room_facts import exposure, image, site

DEVICES = {device.name: device for device in site().devices}
GENERATOR = next(device for device in DEVICES.values() if device.presets)
PRESET = min(GENERATOR.presets)


def told(**values: object) -> ToldExposure:
    fact = exposure(1, 0.0, generator=GENERATOR.name, **values)
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
