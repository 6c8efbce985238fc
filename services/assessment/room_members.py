"""Exposures and images as facts tell them, laid out for linking and for their studies."""

from collections.abc import Mapping
from typing import Final

from schemas.conclusions import ExposureUse
from schemas.facts import ImageStored
from schemas.facts.exposure import Receptor
from schemas.group import Device
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
