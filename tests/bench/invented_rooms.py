"""Invented hospitals with as many rooms as a load needs, each with a realistic day of work."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from functools import cache
from itertools import zip_longest
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import yaml
from pydicom.uid import ExplicitVRLittleEndian

from demo.hospital import __file__ as demo_hospital
from demo.http_teller import invented_token
from demo.story import RECEPTOR, TUBE_CURRENT_MA, TUBE_KV, Day, Shot, Visit, order_of, shots
from schemas.envelope import Payload
from schemas.facts import (
    AnimalSize,
    ClockRead,
    ExposureEnded,
    OrderPlaced,
    Patient,
    Weight,
    WeightUnit,
)
from schemas.teeth import Species
from services.intake.image_header import ImageHeader, StoredFile, read_header
from tests.bench.invented_images import DAY_BEGINS, PLAN, image, scheduled_step, views

EXPOSURES_A_ROOM = 70
ROOMS_A_SITE = 2
VISITS_A_ROOM = 5
HOURS_BETWEEN_VISITS = 1
IMAGE_AFTER_S = 2.1
# The pictures' content plays no part here, so they are small.
SIDE_PIXELS = 64
LOOKS_ON = "lead-1"
"""Whose reach is the whole group, as in the demo's."""


@dataclass(frozen=True, slots=True)
class Told:
    """A fact and who tells it when."""

    site: str
    holder: str
    at: datetime
    fact: Payload

    @property
    def natural_key(self) -> str:
        return self.fact.natural_key(self.at)

    def offer(self) -> dict[str, Any]:
        """Return the fact as it goes into a body of ``POST /facts``."""
        return {
            "kind": self.fact.KIND,
            "schema_version": self.fact.VERSION,
            "occurred_at": self.at.isoformat(),
            "payload": self.fact.model_dump(mode="json"),
        }


@dataclass(frozen=True, slots=True)
class Room:
    """One room on one day: its orders, its clocks' readings, its exposures in order, its images
    as intake tells them once their files are kept; here there are no files."""

    number: int
    orders: tuple[Told, ...]
    clock_reads: tuple[Told, ...]
    exposures: tuple[Told, ...]
    images: tuple[Told, ...]

    @property
    def site(self) -> str:
        return site_name(self.number)

    @property
    def name(self) -> str:
        return _room_name(self.number)


def make_rooms(exposures: int, day: int = 0, a_room: int = EXPOSURES_A_ROOM) -> list[Room]:
    """Make rooms for this many exposures, about ``a_room`` each; each exposure has its image.

    ``day`` counts from the first: each has orders and patients of its own.
    """
    count = -(-exposures // a_room)
    share, more = divmod(exposures, count)
    return [_room(number, share + (number < more), day) for number in range(count)]


def in_turn(rooms: Sequence[Room]) -> Iterator[Told]:
    """Give all exposures as they come: the rooms at once, each in its own order."""
    for row in zip_longest(*(room.exposures for room in rooms)):
        yield from (told for told in row if told is not None)


def write_group(folder: Path, rooms: int) -> Path:
    """Write the demo's group with sites of two rooms, as many as it takes; return the folder."""
    rules = Path(demo_hospital).with_name("group")
    shutil.copytree(rules, folder, dirs_exist_ok=True)  # its technique charts, too
    group = yaml.safe_load(rules.joinpath("group.yaml").read_text())
    first = group["sites"][0]
    group["sites"] = []
    for begin in range(0, rooms, ROOMS_A_SITE):
        numbers = range(begin, min(begin + ROOMS_A_SITE, rooms))
        name = site_name(begin)
        devices = [one for number in numbers for one in _devices(first, number)]
        own = {"name": name, "title": f"Invented {name}", "rooms": list(map(_room_name, numbers))}
        if begin == 0:
            devices += [one for one in first["devices"] if one["kind"] == "console"]
        else:
            own["people"] = []
        record = next(one for one in first["devices"] if one["kind"] == "record")
        devices.append(record | _named(_record_name(begin)))
        group["sites"].append(first | own | {"devices": devices})
    folder.joinpath("group.yaml").write_text(yaml.safe_dump(group), encoding="utf-8")
    return folder


def site_name(room: int) -> str:
    """Name the site that a room is of."""
    return f"hospital-{room // ROOMS_A_SITE}"


def _devices(first: dict[str, Any], number: int) -> list[dict[str, Any]]:
    generator, station = first["devices"][:2]
    own = {"room": _room_name(number)}
    return [
        generator | own | _named(f"generator-{number}") | {"serial": _serial(number)},
        station | own | _named(f"station-{number}") | {"ae_title": f"INVSTATION{number}"},
    ]


def _named(name: str) -> dict[str, str]:
    return {"name": name, "token_sha256": hashlib.sha256(invented_token(name).encode()).hexdigest()}


def _room(number: int, exposures: int, day_number: int) -> Room:
    begins = DAY_BEGINS + timedelta(days=day_number)
    day = Day(
        date=begins.date(),
        seed=number,
        # The clocks are right: how fast is asked here, not how well.
        generator_clock_ahead_s=0.0,
        generator_clock_drift_ppm=0.0,
        station_clock_ahead_s=0.0,
        visits=tuple(_visit(number, day_number, index) for index in range(VISITS_A_ROOM)),
    )
    told: list[Told] = []
    images: list[Told] = []
    for visit in day.visits:
        for shot in shots(day, visit):
            if len(told) == exposures:
                break
            counter = day_number * EXPOSURES_A_ROOM + len(told)
            fact = _exposure(number, counter, shot.preset, shot.set_exposure_ms)
            told.append(Told(site_name(number), f"generator-{number}", shot.true_time, fact))
            images.append(_image(number, visit, shot, len(told)))
    begun = [visit for visit in day.visits if day.begins_at(visit) <= told[-1].at]
    return Room(
        number,
        tuple(
            Told(site_name(number), _record_name(number), begins, _order(number, day, visit))
            for visit in begun
        ),
        tuple(_clock_read(number, f"{kind}-{number}", begins) for kind in ("generator", "station")),
        tuple(told),
        tuple(images),
    )


def _visit(room: int, day: int, index: int) -> Visit:
    begins = DAY_BEGINS + timedelta(hours=HOURS_BETWEEN_VISITS * index)
    order_id = f"{day:02d}{room:04d}{index}"
    return Visit(
        order_id=order_id,
        at=time(begins.hour, begins.minute),
        patient=Patient(
            patient_id=f"INV-{order_id}",
            name=f"Invented {room}-{index}",
            species=Species.DOG,
            weight=Weight(value=12.0, unit=WeightUnit.KG),
        ),
        plan=PLAN,
        indication="Invented, for a measurement",
        events={},
        sign=False,
    )


def _order(room: int, day: Day, visit: Visit) -> OrderPlaced:
    return order_of(visit, _room_name(room), day.begins_at(visit), "vet-1")


def _image(room: int, visit: Visit, shot: Shot, number: int) -> Told:
    header = _header(shot.view)
    at = shot.image_time(IMAGE_AFTER_S)
    study = visit.study_instance_uid
    of_visit = {
        "series_instance_uid": f"{study}.1",
        "patient_id": visit.patient.patient_id,
        "accession_number": visit.accession_number,
        "scheduled_step_id": visit.accession_number,
    }
    own = replace(
        header,
        acquired_at=at,
        study_instance_uid=study,
        sop_instance_uid=f"{study}.2.{number}",
        fields=header.fields | of_visit,
    )
    station = f"station-{room}"
    file = StoredFile(
        room=_room_name(room),
        station=station,
        transfer_syntax_uid=ExplicitVRLittleEndian,
        sha256=hashlib.sha256(own.sop_instance_uid.encode()).hexdigest(),
        size_bytes=2_200_000,
        path=f"{site_name(room)}/{own.sop_instance_uid}.dcm",
    )
    return Told(site_name(room), station, at, own.stored(file))


@cache
def _header(view: str) -> ImageHeader:
    """Read the header of an invented image of a view, as intake does."""
    shown = next(one for one in views() if one.code == view)
    pixels = np.zeros((SIDE_PIXELS, SIDE_PIXELS), dtype=np.uint16)
    dataset = image(scheduled_step("2.25.1", "INV1"), shown, DAY_BEGINS, 1, pixels)
    return read_header(dataset, ZoneInfo("Europe/Vienna"), DAY_BEGINS)


def _clock_read(room: int, device: str, at: datetime) -> Told:
    return Told(site_name(room), device, at, ClockRead(device=device, device_time=at))


def _exposure(room: int, counter: int, preset: str, set_ms: float) -> ExposureEnded:
    return ExposureEnded(
        room=_room_name(room),
        generator=f"generator-{room}",
        generator_serial=_serial(room),
        exposure_counter=counter,
        preset=preset,
        receptor=RECEPTOR,
        animal_size=AnimalSize.SMALL,
        tube_kv=TUBE_KV,
        tube_current_ma=TUBE_CURRENT_MA,
        set_exposure_ms=set_ms,
        exposure_ms=set_ms,
    )


def _record_name(room: int) -> str:
    return f"record-{room // ROOMS_A_SITE}"


def _room_name(number: int) -> str:
    return f"dental-{number}"


def _serial(number: int) -> str:
    return f"INVENTED-GEN-{number}"
