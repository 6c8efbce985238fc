"""From a room's facts to its links, and from those to the exposures of each study."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

from schemas.conclusions import ExposureUse
from schemas.facts import ClockRead, ExposureEnded, ImageStored, LinkDecided
from schemas.facts.exposure import Receptor
from schemas.group import Site
from services.assessment.belonging import UnderWay
from services.assessment.clock_offset import ClockReading
from services.assessment.clock_stands import ClockStand
from services.assessment.counting import Fact, told
from services.assessment.handovers import Handovers
from services.assessment.link_confidence import shown
from services.assessment.link_judgement import Link
from services.assessment.linking import Decision, RoomLinks, link
from services.assessment.memory import Remembered
from services.assessment.room_day import RoomDay, placed
from services.assessment.room_members import Members, without_image
from services.assessment.step_tellings import join_steps
from services.assessment.study_exposures import StudyExposure
from services.assessment.tellings import ToldExposure, bring_together


@dataclass(frozen=True, slots=True)
class LinkedRoom:
    """A room-day's links by image, its exposures by study, and what these rest on.

    ``readings`` are the clock readings used, ``clocks`` where the clocks stood. ``of_nobody`` are
    exposures that belong to no study, with the code of why; ``images`` all that were made in the
    room, with the keys of their facts.
    """

    by_image: Mapping[str, Link]
    exposures: Mapping[str, tuple[StudyExposure, ...]]
    readings: tuple[str, ...]
    handed: Handovers
    clocks: tuple[ClockStand, ...]
    of_nobody: tuple[tuple[ToldExposure, str], ...]
    images: tuple[tuple[str, ImageStored], ...]

    def seen_by(self, study: str, images: Collection[str]) -> "LinkedRoom":
        """Leave out what plays no part for one study, whose images these are."""
        return LinkedRoom(
            {image: one for image, one in self.by_image.items() if image in images},
            {study: self.exposures[study]} if study in self.exposures else {},
            self.readings,
            self.handed,
            (),
            (),
            (),
        )


class LinkMemory:
    """What is remembered of one site's rooms: links by room-day, and their members."""

    def __init__(self) -> None:
        self.rooms: Remembered[RoomDay, tuple[object, ...], LinkedRoom] = Remembered()
        self.members = Members()


def link_room(
    facts: Sequence[Fact], site: Site, where: RoomDay, memory: LinkMemory | None = None
) -> LinkedRoom:
    """Link what stands in a room-day's window. ``facts`` are those that count, in time order.

    A ``memory`` gives the links of last time where no fact that they rest on is new.
    """
    handed = Handovers.of(facts, site)
    kinds = (ExposureEnded, ImageStored, ClockRead, LinkDecided)
    inputs = (tuple(f for f in facts if isinstance(f.payload, kinds)), handed)
    if memory is None:
        return _link_room(facts, site, where, handed, Members())
    members = memory.members
    compute = partial(_link_room, facts, site, where, handed, members)
    return memory.rooms.get(where, inputs, compute)


def _link_room(
    facts: Sequence[Fact], site: Site, where: RoomDay, handed: Handovers, members: Members
) -> LinkedRoom:
    if not where.room:
        facts = ()
    taken = placed(facts, ImageStored, site, where, handed)
    readings = placed(facts, ClockRead, site, where)
    told_here = placed(facts, ExposureEnded, site, where)
    exposures = {one.key: one for one in bring_together(told_here)}
    images = {image.sop_instance_uid: image for _, image in taken}
    devices = {device.name: device for device in site.devices}
    known_as = {key: one.key for one in exposures.values() for key in one.others}
    found = link(
        [
            members.exposure(one, devices)
            for one in exposures.values()
            if one.perhaps is None and not one.untimed
        ],
        [members.image(image) for image in images.values()],
        [
            ClockReading(r.device, f.occurred_at.timestamp(), r.device_time.timestamp())
            for f, r in readings
        ],
        [
            Decision(
                d.sop_instance_uid,
                known_as.get(d.exposure_key or "", d.exposure_key),
                f.occurred_at.timestamp(),
                f.natural_key,
            )
            for f, d in told(facts, LinkDecided)
        ],
    )
    found = replace(
        found, links=tuple(replace(one, confidence=shown(one.confidence)) for one in found.links)
    )
    timed = {key: one for key, one in exposures.items() if not one.untimed}
    by_study, of_nobody = _by_study(found, timed, images)
    by_image = {one.image: one for one in found.links}
    settled = {d.sop_instance_uid for _, d in told(facts, LinkDecided)}
    untimed = [one for one in exposures.values() if one.untimed]
    of_nobody += _add_steps(untimed, by_study, by_image, images, settled)
    return LinkedRoom(
        by_image=by_image,
        exposures={study: tuple(members) for study, members in by_study.items()},
        readings=tuple(fact.natural_key for fact, _ in readings),
        handed=handed,
        clocks=found.clocks,
        of_nobody=of_nobody,
        images=tuple((fact.natural_key, image) for fact, image in taken),
    )


_AROUND = "no image; the images near it in time are all of this study"
_TOLD = "no image; its report names this study"
_SCANNED = "no image of its own yet; the plates scanned after it are all of this study"


def _by_study(
    found: RoomLinks, exposures: Mapping[str, ToldExposure], images: Mapping[str, ImageStored]
) -> tuple[dict[str, list[StudyExposure]], tuple[tuple[ToldExposure, str], ...]]:
    """Give each exposure to the study of its image, else to the one that its report names, that
    its plates were scanned for, or that was under way; give those that are left besides."""
    under_way = UnderWay(
        (at_s, images[key].study_instance_uid) for key, at_s in found.image_times_s.items()
    )
    # Of several links of one exposure the accepted one, else the first.
    by_exposure = {one.exposure: one for one in reversed(found.links)}
    by_exposure |= {one.exposure: one for one in reversed(found.links) if one.accepted}
    given: dict[str, list[StudyExposure]] = {}
    of_nobody: list[tuple[ToldExposure, str]] = []
    study_of: dict[str, str] = {}
    for key, exposure in exposures.items():
        if exposure.perhaps is not None:
            continue
        link_ = by_exposure.get(key)
        sure = link_ is not None and link_.accepted
        around, why = (None, "") if sure else _around(exposure, found, under_way)
        if link_ is not None:
            image = images[link_.image]
            study = image.study_instance_uid
            made = StudyExposure(
                key=key,
                at=exposure.fact.occurred_at,
                told=exposure.told,
                use=ExposureUse.IMAGE if link_.accepted else ExposureUse.PROPOSED,
                image=image,
                confidence=link_.confidence,
                reasons=(*link_.reasons, *exposure.reasons),
                summed=link_.accepted or around == study,
                others=exposure.others,
            )
        elif around is not None:
            study, made = around, without_image(exposure, why)
        else:
            of_nobody.append((exposure, why))
            continue
        given.setdefault(study, []).append(made)
        study_of[key] = study
    for exposure in (one for one in exposures.values() if one.perhaps is not None):
        known = exposure.told.study_instance_uid or study_of.get(exposure.perhaps or "")
        if known is None:
            of_nobody.append((exposure, "perhaps-told-twice"))
        else:
            given.setdefault(known, []).append(without_image(exposure, ""))
    return given, tuple(of_nobody)


def _add_steps(
    untimed: Sequence[ToldExposure],
    by_study: dict[str, list[StudyExposure]],
    by_image: dict[str, Link],
    images: Mapping[str, ImageStored],
    settled: Collection[str],
) -> tuple[tuple[ToldExposure, str], ...]:
    """Add what performed steps tell of exposures, and the links that this gives.

    ``settled`` are images that a person decided on. Gives those that are left: of no study.
    """
    keys = {one.key for one in untimed}
    decided = {one.exposure: one for one in by_image.values() if one.exposure in keys}
    tellings: dict[str, list[ToldExposure]] = {}
    of_nobody: list[tuple[ToldExposure, str]] = []
    for one in untimed:
        study = one.told.study_instance_uid
        if one.key in decided:
            study = images[decided[one.key].image].study_instance_uid
        if study is not None:
            tellings.setdefault(study, []).append(one)
        elif one.told.test_exposure:
            of_nobody.append((one, "test-exposure"))
        else:
            why = "step-of-no-study" if one.perhaps is None else "perhaps-told-twice"
            of_nobody.append((one, why))
    for study, of_step in sorted(tellings.items()):
        own = {one.key for one in of_step}
        share = join_steps(
            by_study.get(study, ()),
            of_step,
            [
                image
                for uid, image in images.items()
                if image.study_instance_uid == study and (uid not in by_image or uid in settled)
            ],
            {key: link_ for key, link_ in decided.items() if key in own},
            settled,
        )
        by_study[study] = list(share.exposures)
        by_image.update({one.image: one for one in share.links})
    return tuple(of_nobody)


def _around(
    exposure: ToldExposure, found: RoomLinks, under_way: UnderWay
) -> tuple[str | None, str]:
    """Give the study of an exposure without image, with the reason; without one its code."""
    if exposure.told.test_exposure:
        return None, "test-exposure"
    if exposure.told.study_instance_uid is not None:
        return exposure.told.study_instance_uid, _TOLD
    scanned = found.scanned_study.get(exposure.key)
    if scanned is not None:
        return scanned, _SCANNED
    if exposure.told.receptor is Receptor.STORAGE_PHOSPHOR_PLATE:
        # Images near it in time are not of its plate.
        return None, "plate-without-scan"
    at_s = found.exposure_times_s[exposure.key]
    study = under_way.study_at(at_s)
    return (study, _AROUND) if study is not None else (None, under_way.why_none(at_s))
