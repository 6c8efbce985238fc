"""An invented hospital with as many rooms as a load needs, each with a realistic day of work."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from itertools import zip_longest
from pathlib import Path
from typing import Any

import numpy as np
import yaml
from pydicom.dataset import Dataset

from demo.hospital import __file__ as demo_hospital
from demo.http_teller import invented_token
from demo.story import RECEPTOR, TUBE_CURRENT_MA, TUBE_KV, Day, Visit, plan_of, shots
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
from tests.bench.invented_images import DAY_BEGINS, PLAN, image, scheduled_step

EXPOSURES_A_ROOM = 70
VISITS_A_ROOM = 5
HOURS_BETWEEN_VISITS = 1
IMAGE_AFTER_S = 2.1
# The pictures' content plays no part here, so they are small.
SIDE_PIXELS = 64
RECORD = "record-1"


@dataclass(frozen=True, slots=True)
class Told:
    """A fact and who tells it when."""

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
    """One room on one day: its orders, its clocks' readings, its exposures in order."""

    number: int
    orders: tuple[Told, ...]
    clock_reads: tuple[Told, ...]
    exposures: tuple[Told, ...]
    images: tuple[Dataset, ...]

    @property
    def ae_title(self) -> str:
        return station_title(self.number)


def make_rooms(exposures: int) -> list[Room]:
    """Make rooms for this many exposures, about 70 each; each exposure has its image."""
    count = -(-exposures // EXPOSURES_A_ROOM)
    share, more = divmod(exposures, count)
    return [_room(number, share + (number < more)) for number in range(count)]


def in_turn(rooms: list[Room]) -> Iterator[Told]:
    """Give all exposures as they come: the rooms at once, each in its own order."""
    for row in zip_longest(*(room.exposures for room in rooms)):
        yield from (told for told in row if told is not None)


def write_group(folder: Path, rooms: int) -> Path:
    """Write the demo's group with one site that has this many rooms; return the folder."""
    rules = Path(demo_hospital).with_name("group")
    shutil.copytree(rules, folder, dirs_exist_ok=True)  # its technique charts, too
    group = yaml.safe_load(rules.joinpath("group.yaml").read_text())
    site = group["sites"][0]
    generator, station = site["devices"][:2]
    others = [device for device in site["devices"][2:] if "room" not in device]
    site["rooms"] = [_room_name(number) for number in range(rooms)]
    site["devices"] = others
    for number in range(rooms):
        for kind, more in (
            (generator, {"serial": _serial(number)}),
            (station, {"ae_title": station_title(number)}),
        ):
            name = f"{kind['kind']}-{number}"
            digest = hashlib.sha256(invented_token(name).encode()).hexdigest()
            named = {"name": name, "room": _room_name(number), "token_sha256": digest}
            site["devices"].append(kind | named | more)
    folder.joinpath("group.yaml").write_text(yaml.safe_dump(group), encoding="utf-8")
    return folder


def station_title(number: int) -> str:
    """Return the AE title of a room's imaging station."""
    return f"INVSTATION{number}"


def _room(number: int, exposures: int) -> Room:
    day = Day(
        date=DAY_BEGINS.date(),
        seed=number,
        # The clocks are right: how fast is asked here, not how well.
        generator_clock_ahead_s=0.0,
        generator_clock_drift_ppm=0.0,
        station_clock_ahead_s=0.0,
        visits=tuple(_visit(number, index) for index in range(VISITS_A_ROOM)),
    )
    told: list[Told] = []
    images: list[Dataset] = []
    for visit in day.visits:
        scheduled = scheduled_step(visit.study_instance_uid, visit.accession_number)
        views = {view.code: view for view in plan_of(visit).views}
        for shot in shots(day, visit):
            if len(told) == exposures:
                break
            fact = _exposure(number, len(told), shot.preset, shot.set_exposure_ms)
            told.append(Told(f"generator-{number}", shot.true_time, fact))
            at = shot.image_time(IMAGE_AFTER_S)
            pixels = np.full((SIDE_PIXELS, SIDE_PIXELS), len(told), dtype=np.uint16)
            images.append(image(scheduled, views[shot.view], at, len(told), pixels))
    begun = [visit for visit in day.visits if day.begins_at(visit) <= told[-1].at]
    return Room(
        number,
        tuple(Told(RECORD, DAY_BEGINS, _order(number, day, visit)) for visit in begun),
        tuple(_clock_read(f"{kind}-{number}") for kind in ("generator", "station")),
        tuple(told),
        tuple(images),
    )


def _visit(room: int, index: int) -> Visit:
    begins = DAY_BEGINS + timedelta(hours=HOURS_BETWEEN_VISITS * index)
    return Visit(
        order_id=f"{room:03d}{index}",
        at=time(begins.hour, begins.minute),
        patient=Patient(
            patient_id=f"INV-BENCH-{room:03d}{index}",
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
    return OrderPlaced(
        order_id=visit.order_id,
        study_instance_uid=visit.study_instance_uid,
        accession_number=visit.accession_number,
        patient=visit.patient,
        plan=visit.plan,
        room=_room_name(room),
        scheduled_at=day.begins_at(visit),
        indication=visit.indication,
    )


def _clock_read(device: str) -> Told:
    return Told(device, DAY_BEGINS, ClockRead(device=device, device_time=DAY_BEGINS))


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


def _room_name(number: int) -> str:
    return f"dental-{number}"


def _serial(number: int) -> str:
    return f"INVENTED-GEN-{number}"
