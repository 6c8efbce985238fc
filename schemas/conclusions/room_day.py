"""What assessment concludes about one room on one day beside its studies."""

from datetime import date, datetime
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, NotNegative, Positive, Text, Uid, UtcTime
from schemas.conclusions.basis import FactKey
from schemas.envelope import Payload
from schemas.facts import ToldBy

Number = Annotated[float, Field(allow_inf_nan=False)]


class LooseExposure(Contract):
    """An exposure that belongs to no study: its dose is in no sum.

    ``words`` say why, ``can_do`` what a person can do about it. ``occurred_at`` is as told.
    """

    exposure_key: FactKey
    code: Name
    occurred_at: UtcTime
    generator: Name
    told_by: ToldBy = ToldBy.GENERATOR
    preset: Name | None = None
    tube_kv: Positive
    tube_current_ma: Positive
    exposure_ms: NotNegative
    words: Text
    can_do: Text
    rule: Name
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "exposure_key": "exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00",
            "code": "no-image-near",
            "occurred_at": "2026-03-02T09:20:00Z",
            "generator": "generator-1",
            "tube_kv": 65.0,
            "tube_current_ma": 7.0,
            "exposure_ms": 120.0,
            "words": "No image fits it, and none stands within 15 minutes of it.",
            "can_do": "Link it to its image, if there is one.",
            "rule": "exposure-of-no-study",
            "facts": ["exposure:INVENTED-0001:4711:2026-03-02T09:20:00+00:00"],
        },
    )


class LooseImage(Contract):
    """An image of the room that no exposure told here made."""

    sop_instance_uid: Uid
    study_instance_uid: Uid
    code: Name
    acquired_at: UtcTime
    station: Name
    words: Text
    can_do: Text
    rule: Name
    facts: tuple[FactKey, ...] = ()

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "sop_instance_uid": "2.25.1003",
            "study_instance_uid": "2.25.1001",
            "code": "no-exposure-fits",
            "acquired_at": "2026-03-02T09:20:03Z",
            "station": "station-1",
            "words": "No exposure told in this room fits it.",
            "can_do": "Nothing, where it was imported; else link it to its exposure.",
            "rule": "image-without-exposure",
            "facts": ["image:2.25.1003:0000000000000000"],
        },
    )


class ClockStand(Contract):
    """How far a station's clock was ahead of a generator's, the usual delay of an image included.

    ``ahead_s`` in seconds, at ``from_at`` and on, and ``drift_ppm`` in parts per million of time,
    each with its standard uncertainty (k = 1), which leaves out the delay itself: that is not
    known apart. Figures are rounded. ``exposures_at_least`` speak for it. ``until_at`` is there
    where a clock was set afterwards; both moments are by the generator's clock, or by that of who
    told its exposures (``told_by``).
    """

    generator: Name
    told_by: ToldBy = ToldBy.GENERATOR
    station: Name
    ahead_s: Number
    ahead_uncertainty_s: NotNegative
    drift_ppm: Number
    drift_uncertainty_ppm: NotNegative
    exposures_at_least: Annotated[int, Field(ge=1)]
    from_at: UtcTime
    until_at: UtcTime | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "generator": "generator-1",
            "station": "station-1",
            "ahead_s": 64.0,
            "ahead_uncertainty_s": 0.5,
            "drift_ppm": 20.0,
            "drift_uncertainty_ppm": 50.0,
            "exposures_at_least": 10,
            "from_at": "2026-03-02T09:20:00Z",
        },
    )


class RoomDayAssessed(Payload):
    """What a room-day holds that no study has, at a revision; the newest counts.

    ``left_out`` are loose exposures and images beyond those listed.
    """

    KIND: ClassVar[str] = "room_day_assessed"

    revision: Annotated[int, Field(ge=1)]
    room: Name
    day: date
    exposures: tuple[LooseExposure, ...] = ()
    images: tuple[LooseImage, ...] = ()
    clocks: tuple[ClockStand, ...] = ()
    left_out: Annotated[int, Field(ge=0)] = 0

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "revision": 2,
            "room": "dental-1",
            "day": "2026-03-02",
            "exposures": [LooseExposure.EXAMPLES[0]],
            "images": [LooseImage.EXAMPLES[0]],
            "clocks": [ClockStand.EXAMPLES[0]],
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"room-day:{self.room}:{self.day}:{self.revision}"
