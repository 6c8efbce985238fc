"""What a room-day holds that no study has, in words for people, with what they can do about it."""

import math
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Final

from schemas.conclusions import ClockStand, LooseExposure, LooseImage, RoomDayAssessed
from schemas.facts import ImageStored, ToldBy
from schemas.group import Site
from services.assessment import clock_stands
from services.assessment.belonging import NEIGHBOUR_WITHIN_S, ONE_SIDED_WITHIN_S
from services.assessment.revision_changes import FIRST_REVISION
from services.assessment.room_day import RoomDay
from services.assessment.room_links import LinkedRoom
from services.assessment.room_members import TOLD_BY
from services.assessment.tellings import ToldExposure

_MOST: Final = 300

_LINK_IT: Final = (
    "Link it to its image, if there is one. Was it a patient's and left no image, note it in that "
    "patient's record: its dose is in no study's sum."
)
_WHY: Final[dict[str, tuple[str, str, str]]] = {
    "test-exposure": (
        "test-exposure",
        "It was told as a test exposure.",
        "Nothing, if that is so: it is no patient's dose.",
    ),
    "no-image-near": (
        "exposure-of-no-study",
        f"No image fits it, and none stands within {NEIGHBOUR_WITHIN_S / 60:.0f} minutes of it "
        "once the clocks are aligned.",
        _LINK_IT,
    ),
    "between-studies": (
        "exposure-of-no-study",
        "No image fits it, and the images before and after it are of two studies.",
        _LINK_IT,
    ),
    "one-sided": (
        "exposure-of-no-study",
        "No image fits it; there are images on one side of it only, more than "
        f"{ONE_SIDED_WITHIN_S / 60:.0f} minutes away or of several studies.",
        _LINK_IT,
    ),
    "plate-without-scan": (
        "plate-without-scan",
        "It was on a phosphor plate, and no scanned image fits it yet.",
        "Scan the plate, or link it to its image if it was scanned.",
    ),
    "step-of-no-study": (
        "exposure-of-no-study",
        "A performed step told it, and named no study.",
        _LINK_IT,
    ),
    "perhaps-told-twice": (
        "exposure-told-twice",
        "It may be another telling of an exposure that was told already.",
        "Say which image it made, if it is one of its own.",
    ),
}
"""By code: the rule, why, and what a person can do."""

_COUNTS: Final = (1, 2, 3, 5, 10, 20, 50, 100, 200, 500)


def assess_loose(room: LinkedRoom, site: Site, where: RoomDay) -> RoomDayAssessed:
    """Conclude what a room-day holds beside its studies, at revision 1: of its own day alone."""

    def today(moment: datetime) -> bool:
        return moment.astimezone(site.zone).date() == where.day

    exposures = sorted(
        (_exposure(one, code) for one, code in room.of_nobody if today(one.fact.occurred_at)),
        key=lambda one: (one.occurred_at, one.exposure_key),
    )
    images = sorted(
        (
            _image(key, image)
            for key, image in room.images
            if image.sop_instance_uid not in room.by_image and today(image.acquired_at)
        ),
        key=lambda one: (one.acquired_at, one.sop_instance_uid),
    )
    return RoomDayAssessed(
        revision=FIRST_REVISION,
        room=where.room,
        day=where.day,
        exposures=tuple(exposures[:_MOST]),
        images=tuple(images[:_MOST]),
        clocks=tuple(_stands(room.clocks, today)),
        left_out=max(0, len(exposures) - _MOST) + max(0, len(images) - _MOST),
    )


def holds_nothing(found: RoomDayAssessed) -> bool:
    """Tell whether there is nothing to say of a room-day."""
    return not (found.exposures or found.images or found.clocks)


def why_loose(code: str) -> str:
    """Say why an exposure belongs to no study."""
    return _WHY[code][1]


def _exposure(one: ToldExposure, code: str) -> LooseExposure:
    rule, words, can_do = _WHY[code]
    told = one.told
    beside = (one.perhaps,) if one.perhaps is not None else ()
    return LooseExposure(
        exposure_key=one.key,
        code=code,
        occurred_at=one.fact.occurred_at,
        generator=told.generator,
        told_by=told.told_by,
        preset=told.preset,
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        exposure_ms=told.exposure_ms,
        words=words,
        can_do=can_do,
        rule=rule,
        facts=tuple(sorted({one.key, *one.others, *beside})),
    )


def _image(key: str, image: ImageStored) -> LooseImage:
    return LooseImage(
        sop_instance_uid=image.sop_instance_uid,
        study_instance_uid=image.study_instance_uid,
        code="no-exposure-fits",
        acquired_at=image.acquired_at,
        station=image.station,
        words="No exposure told in this room fits it: its dose is unknown.",
        can_do="Nothing, where it was imported or made elsewhere; else link it to its exposure, or "
        "look why the generator told none.",
        rule="image-without-exposure",
        facts=(key,),
    )


def _stands(
    clocks: Sequence[clock_stands.ClockStand], today: Callable[[datetime], bool]
) -> Iterator[ClockStand]:
    """Round each stand so coarsely that one more exposure seldom changes what is said."""
    for one in clocks:
        ends = [_moment(one.from_s), *([_moment(one.until_s)] if one.until_s is not None else [])]
        if not any(today(moment) for moment in ends):
            continue
        uncertainty_s = _rounded_up(one.ahead_uncertainty_s)
        uncertainty_ppm = _rounded_up(one.drift_uncertainty_ppm)
        # A report's times are by another clock than its generator's, told apart by who told them.
        generator, _, told_by = one.generator.partition(TOLD_BY)
        yield ClockStand(
            generator=generator,
            told_by=ToldBy(told_by or "generator"),
            station=one.station,
            ahead_s=_to_step(one.ahead_s, uncertainty_s),
            ahead_uncertainty_s=uncertainty_s,
            drift_ppm=_to_step(one.drift_ppm, uncertainty_ppm),
            drift_uncertainty_ppm=uncertainty_ppm,
            exposures_at_least=max(n for n in _COUNTS if n <= max(1, round(one.support))),
            from_at=ends[0],
            until_at=ends[1] if len(ends) > 1 else None,
        )


def _moment(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)


def _rounded_up(value: float) -> float:
    """Bring an uncertainty up to the next of 1, 2 and 5 times a power of ten."""
    if value <= 0.0:
        return 0.0
    power = 10.0 ** math.floor(math.log10(value))
    step = next((n for n in (1, 2, 5) if value <= n * power * (1 + 1e-9)), 10)
    return float(f"{step * power:.6g}")


def _to_step(value: float, step: float) -> float:
    """Round to a step as large as the uncertainty: finer figures say nothing."""
    return float(f"{round(value / step) * step:.6g}") if step > 0.0 else value
