"""What a generator tells: an exposure ended, a clock was read."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar, TypeGuard

from pydantic import Field, model_validator

from schemas.base import Name, NotNegative, Positive, Text, Uid, UtcTime
from schemas.envelope import Payload


class Receptor(StrEnum):
    """What catches the image."""

    DIRECT_SENSOR = "direct_sensor"
    FILM = "film"
    STORAGE_PHOSPHOR_PLATE = "storage_phosphor_plate"


class AnimalSize(StrEnum):
    """The size setting of a generator. Where the border lies is the site's rule."""

    SMALL = "small"
    LARGE = "large"


class ToldBy(StrEnum):
    """By which way an exposure was told. The same exposure may be told by several."""

    GENERATOR = "generator"
    DOSE_REPORT = "dose_report"
    PERFORMED_STEP = "performed_step"


SHORTENED = 0.98
"""A delivered time below this share of the set time is an exposure that ended early: our own
choice, which lets a device round its times."""


def _is_time(value: Any) -> TypeGuard[float]:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and 0 <= value <= 60_000


class ExposureEnded(Payload):
    """An exposure ended, whether it ran its set time or was released early.

    A generator knows no patient, so there is none here; ``study_instance_uid`` is known only where
    a station told the exposure (a dose report, a performed step). ``exposure_ms`` is the
    delivered time; where it is shorter than ``set_exposure_ms`` the switch was released early,
    and the dose is that of the delivered time. Dose values are given only where the device
    reports them; so is ``exposure_mas``, which only bears witness to current and time.
    """

    KIND: ClassVar[str] = "exposure_ended"
    VERSION: ClassVar[int] = 2  # version 1 had seconds: see schemas/upcast.py

    room: Name
    generator: Name
    generator_serial: Annotated[str, Field(min_length=1, max_length=64)]
    exposure_counter: Annotated[int, Field(ge=0, le=2**63 - 1)] | None = None
    told_by: ToldBy = ToldBy.GENERATOR
    study_instance_uid: Uid | None = None
    irradiation_event_uid: Uid | None = None
    sensor: Name | None = None
    preset: Name | None = None
    receptor: Receptor | None = None
    animal_size: AnimalSize | None = None
    tube_kv: Annotated[float, Field(gt=0, le=200)]
    tube_current_ma: Annotated[float, Field(gt=0, le=1000)]
    set_exposure_ms: Annotated[float, Field(gt=0, le=60_000)]
    exposure_ms: Annotated[float, Field(ge=0, le=60_000)]
    ended_early: bool = False
    manual_setting: bool = False
    test_exposure: bool = False
    exposure_mas: Positive | None = None
    source_to_skin_mm: Positive | None = None
    reported_kerma_mgy: NotNegative | None = None
    reported_kap_mgycm2: NotNegative | None = None
    operator: Name | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "room": "dental-1",
            "generator": "generator-1",
            "generator_serial": "INVENTED-0001",
            "exposure_counter": 4711,
            "preset": "cheek-lower",
            "receptor": "direct_sensor",
            "animal_size": "small",
            "tube_kv": 65.0,
            "tube_current_ma": 7.0,
            "set_exposure_ms": 120.0,
            "exposure_ms": 120.0,
        },
    )

    @model_validator(mode="before")
    @classmethod
    def _shortened_means_ended_early(cls, told: Any) -> Any:
        # A device need not say so. Derived here and nowhere else, so that one exposure told in
        # two ways is the same fact.
        if isinstance(told, dict) and not told.get("ended_early"):
            delivered, wanted = told.get("exposure_ms"), told.get("set_exposure_ms")
            if _is_time(delivered) and _is_time(wanted) and delivered < SHORTENED * wanted:
                return told | {"ended_early": True}
        return told

    def natural_key(self, occurred_at: datetime) -> str:
        if self.irradiation_event_uid is not None:
            return f"exposure:{self.irradiation_event_uid}:{self.told_by}"
        moment = occurred_at.isoformat()
        if self.exposure_counter is None:
            return f"exposure:{self.generator_serial}:{self.told_by}:{moment}"
        return f"exposure:{self.generator_serial}:{self.exposure_counter}:{moment}"


class ClockRead(Payload):
    """A device's clock was read: ``device_time`` on the device at ``occurred_at`` by ours."""

    KIND: ClassVar[str] = "clock_read"

    device: Name
    device_time: UtcTime
    note: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"device": "generator-1", "device_time": "2026-03-02T09:12:57Z"},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"clock:{self.device}:{occurred_at.isoformat()}:{self.device_time.isoformat()}"
