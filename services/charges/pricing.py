"""What a study costs now, line by line, and what is not charged, each with its reason.

Pure: the same assessment and tariff give the same result. No line stands without an image.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from schemas.conclusions import (
    ChargeLine,
    ExposureUse,
    ImageResult,
    ImageUse,
    NotCharged,
    StudyAssessed,
    StudyState,
)
from schemas.tariffs import Price, Tariff

_IMAGE_REASONS = {
    ImageUse.REPEAT: "repeat of a view that is charged once",
    ImageUse.REJECTED: "rejected: not of diagnostic quality",
    ImageUse.EXTRA: "beyond the ordered plan: nobody ordered it; add it to the order to charge it",
    ImageUse.UNASSIGNED: "no planned view: charged once a person says which view it shows",
}
"""Only a diagnostic view of the plan is charged: an owner pays for what was ordered."""

_EXPOSURE_REASONS = {
    ExposureUse.ENDED_EARLY: "exposure ended early",
    ExposureUse.NO_IMAGE: "exposure without an image",
    ExposureUse.PROPOSED: "its image waits for a person to confirm",
    ExposureUse.IMAGE: "exposure of an image that is not charged",
}


@dataclass(frozen=True, slots=True)
class Priced:
    """The lines of a study in working order, what is not charged, and the sum of the lines."""

    lines: tuple[ChargeLine, ...]
    not_charged: tuple[NotCharged, ...]
    total: Decimal


def price(assessment: StudyAssessed, tariff: Tariff) -> Priced:
    """Price a study: its first diagnostic view, each further one, one sensor cover."""
    images = _in_order(assessment)
    nothing = _why_nothing(assessment, tariff)
    views = [image for image in images if image.use is ImageUse.VIEW and nothing is None]
    lines = tuple(_lines(assessment, tariff, views))
    charged = {image.sop_instance_uid for image in views}
    not_charged = [
        NotCharged(about=image.sop_instance_uid, reason=nothing or _IMAGE_REASONS[image.use])
        for image in images
        if image.sop_instance_uid not in charged
    ]
    not_charged += [
        NotCharged(about=exposure.exposure_key, reason=nothing or _EXPOSURE_REASONS[exposure.use])
        for exposure in sorted(
            assessment.exposures, key=lambda one: (one.occurred_at, one.exposure_key)
        )
        if exposure.sop_instance_uid not in charged
    ]
    if images and not views and tariff.sensor_cover is not None:
        reason = nothing or "no diagnostic view to charge it with"
        not_charged.append(NotCharged(about="sensor cover", reason=reason))
    return Priced(lines, tuple(not_charged), sum((line.amount for line in lines), Decimal("0.00")))


def _in_order(assessment: StudyAssessed) -> list[ImageResult]:
    """Order by time of acquisition; an image that is told twice counts once."""
    once = {image.sop_instance_uid: image for image in assessment.images}
    return sorted(once.values(), key=lambda image: (image.acquired_at, image.sop_instance_uid))


def _why_nothing(assessment: StudyAssessed, tariff: Tariff) -> str | None:
    """Say why nothing of this study may be charged, or None where it may."""
    if assessment.training:
        return "training order: never charged"
    if assessment.state is StudyState.CANCELLED:
        return "order cancelled"
    if assessment.patient is None:
        return "patient not known: charged once the order has come"
    if assessment.day < tariff.valid_from:
        return f"tariff {tariff.code} is valid from {tariff.valid_from}, after this study"
    if assessment.patient.species not in tariff.views:
        return f"tariff {tariff.code} has no price for a {assessment.patient.species}"
    return None


def _lines(
    assessment: StudyAssessed, tariff: Tariff, views: list[ImageResult]
) -> Iterator[ChargeLine]:
    """One line an image, so that a further image changes no earlier line."""
    if not views or assessment.patient is None:
        return
    prices = tariff.views[assessment.patient.species]
    yield _line(prices.first_view, views[0], "first diagnostic view")
    for image in views[1:]:
        yield _line(prices.further_view, image, "further diagnostic view")
    if tariff.sensor_cover is not None:
        reason = "one new sensor cover for each patient, with the first diagnostic view"
        yield _line(tariff.sensor_cover, views[0], reason)


def _line(price_of: Price, image: ImageResult, reason: str) -> ChargeLine:
    view = f" ({image.view})" if image.view else ""
    return ChargeLine(
        code=price_of.code,
        description=price_of.description,
        quantity=1,
        unit_amount=price_of.unit_amount,
        amount=price_of.unit_amount,
        reason=f"{reason}{view}",
        images=(image.sop_instance_uid,),
    )
