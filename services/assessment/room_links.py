"""From a room's facts to its links, and from those to the exposures of each study."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from schemas.conclusions import ExposureUse
from schemas.facts import ClockRead, ExposureEnded, ImageStored, LinkDecided
from schemas.group import Site
from services.assessment.belonging import UnderWay
from services.assessment.clock_offset import ClockReading
from services.assessment.counting import Fact, told
from services.assessment.link_judgement import Link
from services.assessment.linking import Decision, RoomLinks, link
from services.assessment.pairing_scores import Exposure, Image
from services.assessment.room_day import RoomDay, place_of
from services.assessment.study_exposures import StudyExposure, ended_early


@dataclass(frozen=True, slots=True)
class LinkedRoom:
    """A room-day's links by image, its exposures by study, and the clock readings used."""

    by_image: Mapping[str, Link]
    exposures: Mapping[str, tuple[StudyExposure, ...]]
    readings: tuple[str, ...]


def link_room(facts: Sequence[Fact], site: Site, where: RoomDay) -> LinkedRoom:
    """Link what stands in a room-day's window. ``facts`` are those that count, in time order."""
    begin, end = where.window(site.zone)

    def here(fact: Fact) -> bool:
        place = place_of(fact, site)
        return place is not None and place.room == where.room and begin <= place.moment <= end

    placed = [fact for fact in facts if where.room and here(fact)]
    exposures = {fact.natural_key: (fact, payload) for fact, payload in told(placed, ExposureEnded)}
    images = {image.sop_instance_uid: image for _, image in told(placed, ImageStored)}
    readings = told(placed, ClockRead)
    found = link(
        [_exposure(fact, payload, site) for fact, payload in exposures.values()],
        [_image(image) for image in images.values()],
        [
            ClockReading(r.device, f.occurred_at.timestamp(), r.device_time.timestamp())
            for f, r in readings
        ],
        [
            Decision(d.sop_instance_uid, d.exposure_key, f.occurred_at.timestamp(), f.natural_key)
            for f, d in told(facts, LinkDecided)
        ],
    )
    return LinkedRoom(
        by_image={one.image: one for one in found.links},
        exposures=_by_study(found, exposures, images),
        readings=tuple(fact.natural_key for fact, _ in readings),
    )


def _exposure(fact: Fact, told_: ExposureEnded, site: Site) -> Exposure:
    device = site.device(told_.generator)
    teeth = device.presets.get(told_.preset or "", ()) if device is not None else ()
    return Exposure(
        key=fact.natural_key,
        device=told_.generator,
        at_s=fact.occurred_at.timestamp(),
        tube_kv=told_.tube_kv,
        tube_current_ma=told_.tube_current_ma,
        set_exposure_ms=told_.set_exposure_ms,
        exposure_ms=told_.exposure_ms,
        teeth=frozenset(teeth),
        ended_early=ended_early(told_),
        test=told_.test_exposure,
    )


def _image(image: ImageStored) -> Image:
    return Image(
        key=image.sop_instance_uid,
        study=image.study_instance_uid,
        device=image.station,
        at_s=image.acquired_at.timestamp(),
        tube_kv=image.tube_kv,
        tube_current_ma=image.tube_current_ma,
        exposure_ms=image.exposure_ms,
        teeth=frozenset(image.teeth),
    )


def _by_study(
    found: RoomLinks,
    exposures: Mapping[str, tuple[Fact, ExposureEnded]],
    images: Mapping[str, ImageStored],
) -> dict[str, tuple[StudyExposure, ...]]:
    """Give each exposure to the study of its image, else to the study that was under way."""
    under_way = UnderWay(
        (at_s, images[key].study_instance_uid) for key, at_s in found.image_times_s.items()
    )
    by_exposure = {one.exposure: one for one in found.links}
    given: dict[str, list[StudyExposure]] = {}
    for key, (fact, payload) in exposures.items():
        one = by_exposure.get(key)
        around = None
        if not payload.test_exposure:
            around = under_way.study_at(found.exposure_times_s[key])
        if one is not None:
            image = images[one.image]
            study = image.study_instance_uid
            made = StudyExposure(
                key=key,
                at=fact.occurred_at,
                told=payload,
                use=ExposureUse.IMAGE if one.accepted else ExposureUse.PROPOSED,
                image=image,
                confidence=one.confidence,
                reasons=one.reasons,
                summed=one.accepted or around == study,
            )
            given.setdefault(study, []).append(made)
        elif around is not None:
            early = ended_early(payload)
            made = StudyExposure(
                key=key,
                at=fact.occurred_at,
                told=payload,
                use=ExposureUse.ENDED_EARLY if early else ExposureUse.NO_IMAGE,
                reasons=("no image; the images near it in time are all of this study",),
            )
            given.setdefault(around, []).append(made)
    return {study: tuple(members) for study, members in given.items()}
