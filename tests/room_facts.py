"""An invented room and the facts that it tells, for the tests of assessment."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from schemas.conclusions import StudyAssessed
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import ExposureEnded, ImageStored, OrderPlaced, Patient, Weight, WeightUnit
from schemas.group import Group, Site
from schemas.teeth import Species
from services.assessment.room_day import RoomDay
from services.assessment.rules import Rules, load_rules
from services.assessment.study import assess_room_day

Facts = list[Message[Payload]]

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
ROOM, GENERATOR, STATION = "dental-1", "generator-1", "station-1"
STUDY, OTHER_STUDY = "2.25.1001", "2.25.2001"

GROUP = Group.model_validate_json(
    """{"name": "example-group", "title": "Invented Group", "sites": [
      {"name": "north", "title": "Invented Hospital North", "time_zone": "Europe/Vienna",
       "called_ae_title": "GOMPHOSIS", "rooms": ["dental-1", "dental-2"], "tariff": "invented-2026",
       "devices": [
         {"name": "generator-1", "kind": "generator", "room": "dental-1",
          "tube": {"total_filtration_mm_al": 2.0, "anode_angle_degrees": 16.0,
                   "source_to_skin_mm": 200.0, "field_diameter_mm": 60.0},
          "presets": {"upper-front": [101, 102, 103, 201, 202, 203],
                      "cheek-lower": [307, 308, 309, 407, 408, 409]}},
         {"name": "station-1", "kind": "station", "room": "dental-1"}]}]}"""
)


def site() -> Site:
    return GROUP.sites[0]


def rules() -> Rules:
    """The packaged rules: the group's folder holds none of its own."""
    return load_rules(site(), Path("a-folder-that-is-not-there"))


RULES = rules()
DAY = RoomDay("north", ROOM, date(2026, 3, 2))
VIEWS = tuple(view.code for view in RULES.plans["cat-full-mouth"].views)


def assess(facts: Iterable[Message[Payload]], where: RoomDay = DAY) -> dict[str, StudyAssessed]:
    return assess_room_day(facts, site(), where, RULES)


def after(seconds: float) -> datetime:
    return START + timedelta(seconds=seconds)


def told(payload: Payload, at: datetime = START, by: str = "tech-1") -> Message[Payload]:
    """Wrap a payload as a fact of the site 'north'."""
    return Message(
        id=new_id(),
        group="example-group",
        site="north",
        occurred_at=at,
        received_at=at,
        source=Source(kind="person", name=by),
        correlation_id="chain-1",
        payload=payload,
    )


def patient(species: Species = Species.CAT, patient_id: str = "P-1001") -> Patient:
    return Patient(
        patient_id=patient_id,
        name="Invented Pepper",
        species=species,
        weight=Weight(value=4.2, unit=WeightUnit.KG),
    )


def order(study: str = STUDY, **changes: Any) -> Message[Payload]:
    number = study.rsplit(".", 1)[-1]
    values: dict[str, Any] = {
        "order_id": number,
        "study_instance_uid": study,
        "accession_number": f"A{number}",
        "patient": patient(),
        "plan": "cat-full-mouth",
        "room": ROOM,
        "scheduled_at": START,
    } | changes
    return told(OrderPlaced(**values), START - timedelta(hours=1), "record-north")


def exposure(number: int, seconds: float, **changes: Any) -> Message[Payload]:
    """An exposure ``seconds`` after the start by the generator's clock."""
    values: dict[str, Any] = {
        "room": ROOM,
        "generator": GENERATOR,
        "generator_serial": "INVENTED-0001",
        "exposure_counter": number,
        "tube_kv": 65.0,
        "tube_current_ma": 7.0,
        "set_exposure_ms": 120.0,
        "exposure_ms": 120.0,
    } | changes
    return told(ExposureEnded(**values), after(seconds), GENERATOR)


def image(number: int, seconds: float, study: str = STUDY, **changes: Any) -> Message[Payload]:
    """An image acquired ``seconds`` after the start by the station's clock."""
    values: dict[str, Any] = {
        "room": ROOM,
        "station": STATION,
        "study_instance_uid": study,
        "series_instance_uid": f"{study}.1",
        "sop_instance_uid": f"{study}.1.{number}",
        "sop_class_uid": "1.2.840.10008.5.1.4.1.1.1.3",
        "transfer_syntax_uid": "1.2.840.10008.1.2.1",
        "sha256": f"{number:064x}",
        "size_bytes": 2_200_000,
        "path": f"north/{study}.{number}.dcm",
        "patient_id": "P-1001",
        "acquired_at": after(seconds),
    } | changes
    return told(ImageStored(**values), after(seconds), STATION)


def keys(facts: Iterable[Message[Payload]]) -> list[str]:
    return sorted(fact.natural_key for fact in facts)
