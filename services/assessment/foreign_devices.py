"""Serials that are not the ones the site has listed: a unit was exchanged, or the list is old.

The facts stand as they were told. A person says what holds, mostly by correcting the list
(``group.yaml``): calibration, technique chart and a sensor's wear all go by the listed unit.
"""

from collections.abc import Iterator, Sequence
from typing import Final

from schemas.conclusions import Question
from schemas.facts import ImageStored
from schemas.group import Site
from services.assessment.counting import Fact, told
from services.assessment.study_exposures import StudyExposure

_MOST_NAMED: Final = 20


def foreign_device_questions(
    facts: Sequence[Fact], exposures: Sequence[StudyExposure], site: Site
) -> Iterator[Question]:
    """Ask once about each foreign serial or detector id among a study's exposures and images.

    Whatever the site lists no serial of is not asked about; nor are detectors, where it lists none.
    """
    yield from _generators(exposures, site)
    images = told(facts, ImageStored)
    yield from _stations(images, site)
    yield from _detectors(images, site)


def _generators(exposures: Sequence[StudyExposure], site: Site) -> Iterator[Question]:
    listed = {device.name: device for device in site.generators() if device.serial is not None}
    found: dict[tuple[str, str], list[str]] = {}
    for one in exposures:
        device = listed.get(one.told.generator)
        if device is not None and one.told.generator_serial != device.serial:
            pair = (device.name, one.told.generator_serial)
            found.setdefault(pair, []).append(one.key)
    for (name, serial), keys in sorted(found.items()):
        where = f" in {listed[name].room}" if listed[name].room is not None else ""
        yield _question(
            "generator-serial-differs",
            f"The serial {serial} is not the one listed for {name}{where} "
            f"({listed[name].serial}). Was the generator exchanged? Its dose is reckoned by what "
            f"is listed of {name}.",
            keys,
        )


def _stations(images: Sequence[tuple[Fact, ImageStored]], site: Site) -> Iterator[Question]:
    found: dict[tuple[str, str, str], list[str]] = {}
    for fact, image in images:
        device = site.device(image.station)
        if device is None or device.serial is None or image.device_serial is None:
            continue
        if image.device_serial != device.serial:
            triple = (device.name, device.serial, image.device_serial)
            found.setdefault(triple, []).append(fact.natural_key)
    for (name, serial, foreign), keys in sorted(found.items()):
        yield _question(
            "station-serial-differs",
            f"The device serial {foreign} of these images is not the one listed for {name} "
            f"({serial}). Which device made them?",
            keys,
        )


def _detectors(images: Sequence[tuple[Fact, ImageStored]], site: Site) -> Iterator[Question]:
    if all(sensor.detector_id is None for sensor in site.sensors):
        return
    found: dict[str, list[str]] = {}
    for fact, image in images:
        if image.detector_id is not None and site.sensor_of(image.detector_id) is None:
            found.setdefault(image.detector_id, []).append(fact.natural_key)
    for detector, keys in sorted(found.items()):
        yield _question(
            "detector-not-listed",
            f"The detector {detector} is none of the site's listed sensors. Which sensor made "
            "these images? Until it is listed, their wear and its tests are counted nowhere.",
            keys,
        )


def _question(code: str, words: str, keys: Sequence[str]) -> Question:
    return Question(code=code, words=words, about=tuple(sorted(keys)[:_MOST_NAMED]))
