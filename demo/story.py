"""The invented day as data: who comes, what is planned, what goes wrong."""

import random
import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, Text
from schemas.facts import AnimalSize, OrderPlaced, Patient, Receptor
from schemas.plans import Plan, View, load_plans
from schemas.rule_files import read_rules
from schemas.teeth import Arch, Species, ToothKind, arch, kind

ROOM = "dental-1"
SMALL_UNDER_KG = 30 * 0.45359237
"""The border of the generator's size setting: 30 lb, common practice, no published source."""


class Setback(StrEnum):
    """What goes wrong with one view on this day."""

    ENDED_EARLY = "ended_early"
    REJECTED = "rejected"
    LATE = "late"
    MISSING = "missing"
    EXCUSED = "excused"
    UNLABELLED = "unlabelled"


class Visit(Contract):
    """One animal's appointment."""

    order_id: Annotated[str, Field(min_length=1)]
    at: time
    patient: Patient
    plan: Name
    indication: Text
    events: dict[Name, tuple[Setback, ...]]
    excuse_reason: Text | None = None
    sign: bool

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "order_id": "1",
            "at": "08:30",
            "patient": Patient.EXAMPLES[0],
            "plan": "dog-full-mouth",
            "indication": "Invented",
            "events": {"max-incisors": ["rejected"]},
            "sign": False,
        },
    )

    @property
    def study_instance_uid(self) -> str:
        return invented_uid(f"study {self.order_id}")

    @property
    def accession_number(self) -> str:
        return f"INV{self.order_id}"

    def has(self, view: str, setback: Setback) -> bool:
        return setback in self.events.get(view, ())


class Day(Contract):
    """The whole day. The generator's clock is ahead, and drifts, so that links must be found."""

    date: date
    seed: int
    generator_clock_ahead_s: float
    generator_clock_drift_ppm: float
    station_clock_ahead_s: float
    visits: tuple[Visit, ...]

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "date": "2026-03-02",
            "seed": 1,
            "generator_clock_ahead_s": 203.0,
            "generator_clock_drift_ppm": 40.0,
            "station_clock_ahead_s": -4.0,
            "visits": [Visit.EXAMPLES[0]],
        },
    )

    def begins_at(self, visit: Visit) -> datetime:
        return datetime.combine(self.date, visit.at, UTC)

    def generator_time(self, true_time: datetime) -> datetime:
        since_midnight = true_time - datetime.combine(self.date, time(0), UTC)
        drift_s = since_midnight.total_seconds() * self.generator_clock_drift_ppm / 1e6
        return true_time + timedelta(seconds=self.generator_clock_ahead_s + drift_s)


class Shot(Contract):
    """One press of the switch, and the image it makes, in true time."""

    view: Name
    true_time: datetime
    set_exposure_ms: float
    exposure_ms: float
    preset: Name
    makes_image: bool = True
    late: bool = False
    labelled: bool = True
    rejected: bool = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "view": "max-incisors",
            "true_time": "2026-03-02T08:35:00Z",
            "set_exposure_ms": 100.0,
            "exposure_ms": 100.0,
            "preset": "front-upper",
        },
    )

    def image_time(self, after_s: float) -> datetime:
        return self.true_time + timedelta(seconds=after_s)


def load_day() -> Day:
    """Read ``demo/day.yaml``."""
    return read_rules(Day, Path(__file__).with_name("day.yaml"))


def plan_of(visit: Visit) -> Plan:
    return load_plans()[visit.plan]


def order_of(visit: Visit, room: str, scheduled_at: datetime, ordered_by: str) -> OrderPlaced:
    """Make the order that the patient record places for a visit."""
    return OrderPlaced(
        order_id=visit.order_id,
        study_instance_uid=visit.study_instance_uid,
        accession_number=visit.accession_number,
        patient=visit.patient,
        plan=visit.plan,
        room=room,
        scheduled_at=scheduled_at,
        indication=visit.indication,
        ordered_by=ordered_by,
        account=f"INVACC{visit.order_id}",
    )


def animal_size(visit: Visit) -> AnimalSize:
    weight = visit.patient.weight
    small = visit.patient.species is Species.CAT or (weight and weight.kg < SMALL_UNDER_KG)
    return AnimalSize.SMALL if small else AnimalSize.LARGE


# The demo's own grouping of teeth under preset names and its own times, both invented.
_SET_MS = {
    "front-upper": (90.0, 140.0),
    "side-upper": (120.0, 200.0),
    "front-lower": (80.0, 120.0),
    "side-lower": (100.0, 160.0),
}


def preset_of(view: View) -> str:
    tooth = view.teeth[0]
    place = "front" if kind(tooth) in {ToothKind.INCISOR, ToothKind.CANINE} else "side"
    return f"{place}-{'upper' if arch(tooth) is Arch.MAXILLA else 'lower'}"


def shots(day: Day, visit: Visit) -> Iterator[Shot]:
    """Give the visit's exposures in order, at irregular true times."""
    rng = random.Random(f"{day.seed}-{visit.order_id}")
    now = day.begins_at(visit) + timedelta(minutes=6)
    large = animal_size(visit) is AnimalSize.LARGE
    for view in plan_of(visit).views:
        if visit.has(view.code, Setback.MISSING) or visit.has(view.code, Setback.EXCUSED):
            continue
        preset = preset_of(view)
        set_ms = _SET_MS[preset][int(large)]
        base: dict[str, Any] = {"view": view.code, "preset": preset, "set_exposure_ms": set_ms}
        if visit.has(view.code, Setback.ENDED_EARLY):
            now += timedelta(seconds=rng.uniform(40, 110))
            yield Shot(**base, true_time=now, exposure_ms=round(set_ms * 0.3), makes_image=False)
        if visit.has(view.code, Setback.REJECTED):
            now += timedelta(seconds=rng.uniform(40, 110))
            yield Shot(**base, true_time=now, exposure_ms=set_ms, rejected=True)
        now += timedelta(seconds=rng.uniform(40, 110))
        yield Shot(
            **base,
            true_time=now,
            exposure_ms=set_ms,
            late=visit.has(view.code, Setback.LATE),
            labelled=not visit.has(view.code, Setback.UNLABELLED),
        )


def invented_uid(text: str) -> str:
    """Make the same UID each run: the 2.25 form of PS3.5 annex B.2, from a name-based UUID."""
    return f"2.25.{uuid.uuid5(uuid.NAMESPACE_URL, f'urn:gomphosis:demo:{text}').int}"


RECEPTOR = Receptor.DIRECT_SENSOR
TUBE_KV = 65.0
TUBE_CURRENT_MA = 7.0
