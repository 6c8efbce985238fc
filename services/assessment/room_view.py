"""What one study's assessment looks at beyond its own facts: its room's exposures and images."""

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from schemas.conclusions import ExposureUse
from schemas.facts import (
    ClockRead,
    ExposureEnded,
    ImageAssigned,
    ImageRejected,
    ImageStored,
    ToldBy,
)
from schemas.group import Sensor, Site
from schemas.plans import Plan
from services.assessment.counting import Fact, PatientIds, told
from services.assessment.handovers import Handovers
from services.assessment.room_day import RoomDay, placed
from services.assessment.study_exposures import StudyExposure
from services.assessment.suspicions import RoomImage, interleaved_studies
from services.assessment.technique import TechniqueCase, Told

_READINGS_NAMED = 6
"""How many clock readings one link names: those nearest in time. The study names them all."""


@dataclass(frozen=True, slots=True)
class RoomView:
    """A room-day's facts as its studies see each other. Built once for all of them."""

    before: Mapping[str, Told]
    images: tuple[RoomImage, ...]
    readings: tuple[tuple[Fact, ClockRead], ...]
    interleaved: frozenset[str] = frozenset()

    def seen_by(self, study: str, exposures: Collection[str]) -> "RoomView":
        """Leave out what plays no part for one study: others' images count where they stand
        among its own."""
        among = study in self.interleaved
        return RoomView(
            {key: told_ for key, told_ in self.before.items() if key in exposures},
            self.images if among else tuple(i for i in self.images if i.study == study),
            self.readings,
        )


def view_of_room(facts: Sequence[Fact], site: Site, where: RoomDay, ids: PatientIds) -> RoomView:
    """Look at a room-day. ``facts`` are those that count, in time order."""
    handed = Handovers.of(facts, site)
    exposures = placed(facts, ExposureEnded, site, where)
    images = tuple(_images(placed(facts, ImageStored, site, where, handed), facts, ids))
    return RoomView(
        before=dict(_before(exposures)),
        images=images,
        readings=tuple(placed(facts, ClockRead, site, where)),
        interleaved=interleaved_studies(images),
    )


def _before(exposures: Sequence[tuple[Fact, ExposureEnded]]) -> Iterator[tuple[str, Told]]:
    """Pair each exposure that a generator told itself with the one before it on that generator."""
    last: dict[str, Told] = {}
    for fact, exposure in exposures:
        if exposure.told_by is ToldBy.GENERATOR:
            if exposure.generator in last:
                yield fact.natural_key, last[exposure.generator]
            last[exposure.generator] = Told(fact.natural_key, exposure)


def _images(
    taken: Sequence[tuple[Fact, ImageStored]], facts: Sequence[Fact], ids: PatientIds
) -> Iterator[RoomImage]:
    decided = {one.sop_instance_uid for _, one in told(facts, ImageAssigned)}
    decided |= {one.sop_instance_uid for _, one in told(facts, ImageRejected)}
    for fact, image in taken:
        yield RoomImage(
            fact_key=fact.natural_key,
            acquired_at=image.acquired_at,
            station=image.station,
            study=image.study_instance_uid,
            patient_id=ids.current(image.patient_id),
            decided=image.sop_instance_uid in decided,
        )


def technique_cases(
    exposures: Sequence[StudyExposure],
    room: RoomView,
    site: Site,
    plan: Plan | None,
    views: Mapping[str, str | None],
    image_keys: Mapping[str, str],
) -> tuple[TechniqueCase, ...]:
    """Lay out each exposure for the technique rules. ``views`` and ``image_keys`` are by image."""
    sensors = {sensor.name: sensor for sensor in site.sensors}
    return tuple(_case(one, room, site, plan, views, image_keys, sensors) for one in exposures)


def _case(
    one: StudyExposure,
    room: RoomView,
    site: Site,
    plan: Plan | None,
    views: Mapping[str, str | None],
    image_keys: Mapping[str, str],
    sensors: Mapping[str, Sensor],
) -> TechniqueCase:
    # Of a link that waits for a person nothing follows yet.
    image = one.image if one.use is ExposureUse.IMAGE else None
    device = site.device(one.told.generator)
    code = views.get(image.sop_instance_uid) if image is not None else None
    return TechniqueCase(
        told=Told(one.key, one.told),
        before=room.before.get(one.key),
        image=image,
        image_key=image_keys.get(image.sop_instance_uid) if image is not None else None,
        view=plan.view(code) if plan is not None and code is not None else None,
        sensor=sensors.get(image.sensor) if image is not None and image.sensor else None,
        preset_teeth=frozenset(
            device.presets.get(one.told.preset or "", ()) if device is not None else ()
        ),
    )


def readings_near(one: StudyExposure, room: RoomView) -> tuple[str, ...]:
    """The clock readings, nearest in time, of the two devices that a link joins."""
    devices = {one.told.generator, *([one.image.station] if one.image is not None else [])}
    near = sorted(
        (abs((fact.occurred_at - one.at).total_seconds()), fact.natural_key)
        for fact, reading in room.readings
        if reading.device in devices
    )
    return tuple(key for _, key in near[:_READINGS_NAMED])
