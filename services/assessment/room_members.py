"""Exposures and images as facts tell them, laid out for linking and for their studies."""

from collections.abc import Mapping
from typing import Final

from schemas.conclusions import ExposureUse
from schemas.facts import ExposureEnded, ImageStored
from schemas.facts.exposure import Receptor
from schemas.group import Device
from services.assessment.counting import Fact
from services.assessment.pairing_scores import Exposure, Image
from services.assessment.study_exposures import StudyExposure, ended_early
from services.assessment.tellings import ToldExposure

TOLD_BY: Final = " by "
"""Stands between a generator and who tells of it, where that is by another clock. No name has a
space."""


def exposure_member(one: ToldExposure, devices: Mapping[str, Device]) -> Exposure:
    """Lay out an exposure for linking; its teeth are those of its preset by the site's data."""
    told_ = one.told
    device = devices.get(told_.generator)
    teeth = device.presets.get(told_.preset or "", ()) if device is not None else ()
    leads = told_.told_by.value
    return Exposure(
        key=one.key,
        # A report's times are by another clock than the generator's.
        device=told_.generator if leads == "generator" else f"{told_.generator}{TOLD_BY}{leads}",
        at_s=one.fact.occurred_at.timestamp(),
        tube_kv=told_.tube_kv,
        tube_current_ma=told_.tube_current_ma,
        set_exposure_ms=told_.set_exposure_ms,
        exposure_ms=told_.exposure_ms,
        teeth=frozenset(teeth),
        ended_early=ended_early(told_),
        test=told_.test_exposure,
        counter=told_.exposure_counter,
        plate=told_.receptor is Receptor.STORAGE_PHOSPHOR_PLATE if told_.receptor else None,
        study=told_.study_instance_uid,
        event=told_.irradiation_event_uid,
    )


def image_member(image: ImageStored) -> Image:
    """Lay out an image for linking."""
    return Image(
        key=image.sop_instance_uid,
        study=image.study_instance_uid,
        device=image.station,
        at_s=image.acquired_at.timestamp(),
        tube_kv=image.tube_kv,
        tube_current_ma=image.tube_current_ma,
        exposure_ms=image.exposure_ms,
        teeth=frozenset(image.teeth),
        event=image.irradiation_event_uid,
    )


class Members:
    """Exposures and images laid out once for each fact, as long as it is told alike.

    Always of one site. The same objects in give the same out: only time is saved.
    """

    def __init__(self, most: int = 20_000) -> None:
        self._most = most
        self._exposures: dict[str, tuple[Fact, ExposureEnded, Exposure]] = {}
        self._images: dict[str, tuple[ImageStored, Image]] = {}

    def exposure(self, one: ToldExposure, devices: Mapping[str, Device]) -> Exposure:
        kept = self._exposures.get(one.key)
        if kept is not None and kept[0] is one.fact and kept[1] is one.told:
            return kept[2]
        made = exposure_member(one, devices)
        if len(self._exposures) >= self._most:
            self._exposures.clear()
        self._exposures[one.key] = one.fact, one.told, made
        return made

    def image(self, image: ImageStored) -> Image:
        kept = self._images.get(image.sop_instance_uid)
        if kept is not None and kept[0] is image:
            return kept[1]
        made = image_member(image)
        if len(self._images) >= self._most:
            self._images.clear()
        self._images[image.sop_instance_uid] = image, made
        return made


def without_image(exposure: ToldExposure, why: str) -> StudyExposure:
    """Make an exposure that has no image part of a study; it says ``why``."""
    early = ended_early(exposure.told)
    perhaps = (
        (f"may be another telling of {exposure.perhaps}; waits for a person",)
        if exposure.perhaps is not None
        else (why,)
    )
    return StudyExposure(
        key=exposure.key,
        at=exposure.fact.occurred_at,
        told=exposure.told,
        use=ExposureUse.ENDED_EARLY if early else ExposureUse.NO_IMAGE,
        reasons=(*perhaps, *exposure.reasons),
        summed=exposure.perhaps is None,
        others=exposure.others,
        perhaps=exposure.perhaps,
    )
