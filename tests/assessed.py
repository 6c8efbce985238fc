"""Invented assessments, for the tests of what is downstream of assessment."""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import Any

from schemas.conclusions import (
    DoseBasis,
    DoseResult,
    DoseVerdict,
    ExposureResult,
    ExposureUse,
    ImageResult,
    ImageUse,
    StudyAssessed,
    StudyState,
    ViewResult,
    ViewStatus,
)
from schemas.envelope import Message, Payload, Source, new_id
from schemas.facts import Patient, Sex
from schemas.facts.order import Weight, WeightUnit
from schemas.group import Group
from schemas.teeth import Species

STUDY = "2.25.1001"
START = datetime(2026, 3, 2, 9, 20, tzinfo=UTC)
GROUP = Group.model_validate_json(
    """{"name": "example-group", "title": "Invented Group", "sites": [
      {"name": "north", "title": "Invented Hospital North", "time_zone": "Europe/Vienna",
       "called_ae_title": "GOMPHOSIS", "rooms": ["dental-1"], "tariff": "invented-2026",
       "people": [
         {"name": "vet-1", "title": "Invented Vet", "roles": ["vet"]},
         {"name": "trainee-1", "title": "Invented Trainee", "roles": ["trainee"]},
         {"name": "vet-2", "title": "Other Invented Vet", "roles": ["vet", "lead"]},
         {"name": "tech-1", "title": "Invented Technician", "roles": ["technician"]}]}]}"""
)


WHOLE_PATIENT = Patient(
    patient_id="P-1001",
    name="Invented Pepper",
    species=Species.DOG,
    breed="Invented breed ä",
    sex=Sex.FEMALE,
    neutered=True,
    born_on=date(2019, 5, 1),
    weight=Weight(value=11.4, unit=WeightUnit.KG),
    responsible_person="Invented Owner",
)
BARE_PATIENT = Patient(patient_id="P-1002", name="Invented Salt", species=Species.CAT)


def patient(patient_id: str = "P-1001", species: Species = Species.DOG) -> Patient:
    return Patient(patient_id=patient_id, name="Invented Pepper", species=species)


def image(
    number: int,
    use: ImageUse = ImageUse.VIEW,
    *,
    view: str | None = None,
    teeth: tuple[int, ...] = (309, 310, 311),
    after_s: float | None = None,
    exposure_key: str | None = None,
    link_confidence: float | None = None,
    words: str = "shows what was planned",
) -> ImageResult:
    """Make the study's image ``number``; they follow each other minute by minute."""
    seconds = 60.0 * number if after_s is None else after_s
    return ImageResult(
        sop_instance_uid=f"2.25.2{number:03d}",
        series_instance_uid="2.25.2000",
        sop_class_uid="1.2.840.10008.5.1.4.1.1.1.3",
        acquired_at=START + timedelta(seconds=seconds),
        use=use,
        view=view or (f"view-{number}" if use is ImageUse.VIEW else None),
        teeth=teeth,
        exposure_key=exposure_key,
        link_confidence=link_confidence,
        words=words,
    )


def exposure(
    number: int,
    use: ExposureUse = ExposureUse.IMAGE,
    *,
    sop_instance_uid: str | None = None,
    **values: Any,
) -> ExposureResult:
    settings: dict[str, Any] = {
        "tube_kv": 65.0,
        "tube_current_ma": 7.0,
        "set_exposure_ms": 120.0,
        "exposure_ms": 120.0,
    }
    return ExposureResult(
        exposure_key=f"exposure:INVENTED-0001:{number}",
        occurred_at=START + timedelta(minutes=number),
        use=use,
        sop_instance_uid=sop_instance_uid,
        **(settings | values),
    )


def view(number: int, status: ViewStatus = ViewStatus.DONE, **values: Any) -> ViewResult:
    told: dict[str, Any] = {
        "title": f"invented view {number}",
        "teeth": (309, 310, 311),
        "words": "shown by one image" if status is ViewStatus.DONE else "no image yet",
    }
    return ViewResult(view=f"view-{number}", status=status, **(told | values))


DOSE = DoseResult(
    exposures=2,
    unknown_exposures=0,
    kerma_mgy=3.2,
    kap_mgycm2=90.0,
    relative_uncertainty=0.25,
    basis=(DoseBasis.MODEL,),
    verdict=DoseVerdict.WITHIN,
    words="3.2 mGy of 40 mGy (the group's notify level, invented)",
    comparators=("Human dental comparator, not an animal limit: 1.2 mGy, adult intraoral",),
)


def assessed(revision: int = 1, images: Iterable[ImageResult] = (), **values: Any) -> StudyAssessed:
    """Make an assessment of the one invented study."""
    told: dict[str, Any] = {
        "study_instance_uid": STUDY,
        "room": "dental-1",
        "day": date(2026, 3, 2),
        "accession_number": "A1001",
        "account": "ACC-1001",
        "patient_id": "P-1001",
        "patient": patient(),
        "plan": "dog-mandible-left",
        "plan_title": "dog, left lower jaw",
        "state": StudyState.UNDER_WAY,
        "dose": DOSE,
    }
    return StudyAssessed(revision=revision, images=tuple(images), **(told | values))


def message(
    payload: Payload,
    *,
    person: str | None = None,
    at: datetime | None = None,
    site: str = "north",
) -> Message[Payload]:
    """Wrap a payload as its sender would, a person or one of our services."""
    moment = at or START
    return Message(
        id=new_id(),
        group="example-group",
        site=site,
        occurred_at=moment,
        received_at=moment,
        source=(
            Source(kind="person", name=person)
            if person
            else Source(kind="service", name="assessment")
        ),
        correlation_id="order-1001",
        payload=payload,
    )
