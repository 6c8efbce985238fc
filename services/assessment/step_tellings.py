"""What a performed step tells of its study's exposures: each technique, in their order.

Such a telling has no time of its own: it stands at its step's start. So no time is compared. It
joins an exposure that the study has already by the order and the technique of both; what is left
is an exposure of its own, and finds its image in the same way. The step names the study, so that
nothing of this crosses patients.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from schemas.conclusions import ExposureUse
from schemas.facts import ExposureEnded, ImageStored
from services.assessment.alignment import Alignment, align
from services.assessment.counting import in_time
from services.assessment.link_confidence import shown
from services.assessment.link_judgement import ACCEPTED_FROM, PROPOSED_FROM, Link, content_reasons
from services.assessment.pairing_scores import Agreement, Exposure, Image, technique_agrees
from services.assessment.room_members import image_member, without_image
from services.assessment.study_exposures import StudyExposure
from services.assessment.tellings import ToldExposure, completed, told_too

_JOINED_FROM: Final = 0.9
"""Least probability that a telling is an exposure's. A default of ours."""

_MAY_BE_FROM: Final = 0.2
"""Least probability that it is that of any exposure here, to leave it to a person."""

# Shares that are alone, of ours: exposures that the step leaves out, tellings of what nobody else
# told, exposures that made no image, images that the step made no exposure of.
_LEFT_OUT, _TOLD_ALONE = 0.05, 0.02
_NO_IMAGE, _NO_EXPOSURE = 0.05, 0.02


@dataclass(frozen=True, slots=True)
class StepShare:
    """A study's exposures with its steps' tellings among them, and the links that these gave."""

    exposures: tuple[StudyExposure, ...]
    links: tuple[Link, ...]


def join_steps(
    members: Sequence[StudyExposure],
    tellings: Sequence[ToldExposure],
    images: Sequence[ImageStored],
    decided: Mapping[str, Link],
    settled: Collection[str] = (),
) -> StepShare:
    """Bring a study's step tellings to its exposures, and to its images that have none.

    ``members`` are the study's exposures known by a time; ``images`` those of it without a link
    and those that a person ``settled``; ``decided`` the links that this gave tellings, by their
    keys.
    """
    ordered = sorted(tellings, key=lambda one: in_time(one.fact))
    exposures = {one.key: one for one in sorted(members, key=lambda one: (one.at, one.key))}
    links = {one.image: one for one in decided.values()}
    own: list[ToldExposure] = []
    for generator in sorted({one.told.generator for one in ordered}):
        of_step = [one for one in ordered if one.told.generator == generator]
        known = [
            one
            for one in exposures.values()
            if one.told.generator == generator and one.perhaps is None
        ]
        sure, perhaps = _partners(known, [one for one in of_step if one.perhaps is None])
        for one in of_step:
            beside = one.perhaps or perhaps.get(one.key)
            if one.key in sure:
                joined = _joined(exposures[sure[one.key]], one, decided.get(one.key), images)
                exposures[joined.key] = joined
                if one.key in decided and joined.image is not None:
                    uid = joined.image.sop_instance_uid
                    links[uid] = replace(links[uid], exposure=joined.key)
            elif beside is not None:
                exposures[one.key] = without_image(replace(one, perhaps=beside), "")
            else:
                own.append(one)
    free = [image for image in images if image.sop_instance_uid not in settled]
    found = {link.exposure: link for link in links.values()} | _imaged(own, free)
    by_uid = {image.sop_instance_uid: image for image in images}
    for one in own:
        exposures[one.key] = _own(one, found.get(one.key), by_uid)
    links |= {link.image: link for link in found.values()}
    return StepShare(tuple(exposures.values()), tuple(links.values()))


def _partners(
    members: Sequence[StudyExposure], tellings: Sequence[ToldExposure]
) -> tuple[dict[str, str], dict[str, str]]:
    """Give the exposure of each telling that has one beyond doubt, and of each that may have."""
    found = _aligned(
        [_exposure(one.key, one.told) for one in members],
        [_telling(one) for one in tellings],
        _LEFT_OUT,
        _TOLD_ALONE,
    )
    sure = {
        tellings[j].key: members[i].key
        for (i, j), share in found.probability.items()
        if share >= _JOINED_FROM
    }
    shares: dict[str, dict[str, float]] = {}
    for (i, j), share in sorted(found.probability.items()):
        if tellings[j].key not in sure:
            shares.setdefault(tellings[j].key, {})[members[i].key] = share
    perhaps = {
        key: max(of_key, key=lambda member: of_key[member])
        for key, of_key in shares.items()
        if sum(of_key.values()) >= _MAY_BE_FROM
    }
    return sure, perhaps


def _imaged(own: Sequence[ToldExposure], free: Sequence[ImageStored]) -> dict[str, Link]:
    """Link exposures that only steps tell to images of their study, by order and technique."""
    images = sorted(free, key=lambda image: (image.acquired_at, image.sop_instance_uid))
    exposures = [_exposure(one.key, one.told) for one in own]
    seen = [image_member(image) for image in images]
    found = _aligned(exposures, seen, _NO_IMAGE, _NO_EXPOSURE)
    links: dict[str, Link] = {}
    for i, j in found.pairs:
        share = found.probability[i, j]
        if share < PROPOSED_FROM:
            continue
        accepted = share >= ACCEPTED_FROM
        reasons = ["told by a performed step of its study, in this order and without times"]
        reasons += content_reasons(exposures[i], seen[j])
        if not accepted:
            reasons.append("the order alone leaves other pairings")
        link = Link(own[i].key, seen[j].key, shown(share), accepted, tuple(reasons))
        links[own[i].key] = link
    return links


def _aligned(
    exposures: Sequence[Exposure], images: Sequence[Image], first_alone: float, second_alone: float
) -> Alignment:
    """Align two sequences by order and content; what differs in these is no pair."""
    agreement = Agreement(exposures, images)
    match = {
        (i, j): math.log(1.0 - first_alone)
        + float(agreement.scores(np.array([i]), np.array([j]))[0])
        for i, exposure in enumerate(exposures)
        for j, image in enumerate(images)
        if _may_pair(exposure, image)
    }
    return align(
        match,
        [math.log(first_alone)] * len(exposures),
        [math.log(second_alone)] * len(images),
    )


def _may_pair(exposure: Exposure, image: Image) -> bool:
    if technique_agrees(exposure, image) is False:
        return False
    return None in (exposure.event, image.event) or exposure.event == image.event


def _exposure(key: str, told: ExposureEnded) -> Exposure:
    return Exposure(
        key=key,
        device=told.generator,
        at_s=0.0,
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        set_exposure_ms=told.set_exposure_ms,
        exposure_ms=told.exposure_ms,
        event=told.irradiation_event_uid,
    )


def _telling(one: ToldExposure) -> Image:
    """A telling, laid out as an image of the exposure."""
    told = one.told
    return Image(
        key=one.key,
        study="",
        device="",
        at_s=0.0,
        tube_kv=told.tube_kv,
        tube_current_ma=told.tube_current_ma,
        exposure_ms=told.exposure_ms,
        event=told.irradiation_event_uid,
    )


def _joined(
    first: StudyExposure, one: ToldExposure, link: Link | None, images: Sequence[ImageStored]
) -> StudyExposure:
    """Add a telling to its exposure, and the image that a person gave it."""
    why = told_too(one, "same generator and study; the order and the technique agree")
    joined = replace(
        first,
        told=completed(first.told, one.told),
        others=(*first.others, one.key),
        reasons=(*first.reasons, why),
        summed=True,  # its step names the study
    )
    made = [i for i in images if link is not None and i.sop_instance_uid == link.image]
    if link is None or not made or first.image is not None:
        return joined
    return replace(
        joined,
        use=ExposureUse.IMAGE,
        image=made[0],
        confidence=link.confidence,
        reasons=(*link.reasons, why),
    )


def _own(one: ToldExposure, link: Link | None, images: Mapping[str, ImageStored]) -> StudyExposure:
    alone = without_image(one, "no image; its performed step names this study")
    if link is None or link.image not in images:
        return alone
    return replace(
        alone,
        use=ExposureUse.IMAGE if link.accepted else ExposureUse.PROPOSED,
        image=images[link.image],
        confidence=link.confidence,
        reasons=(*link.reasons, *one.reasons),
    )
