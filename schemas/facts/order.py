"""What the patient record tells: orders and patients."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Any, ClassVar

from pydantic import Field

from schemas.base import Contract, Name, Text, Uid, UtcTime
from schemas.envelope import Payload
from schemas.facts.image import ShortText
from schemas.teeth import Species

KG_PER_LB = 0.45359237
"""Kilograms in an avoirdupois pound, exact by definition (NIST SP 811, B.8; from memory)."""


class WeightUnit(StrEnum):
    KG = "kg"
    LB = "lb"


class Weight(Contract):
    """A weight as it was told, with its unit."""

    value: Annotated[float, Field(gt=0, le=1000)]
    unit: WeightUnit

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"value": 30.0, "unit": "lb"},)

    @property
    def kg(self) -> float:
        return self.value * KG_PER_LB if self.unit is WeightUnit.LB else self.value


class Sex(StrEnum):
    """Patient's Sex (0010,0040) by its DICOM meaning."""

    MALE = "male"
    FEMALE = "female"
    OTHER = "other"


class Patient(Contract):
    """An animal as its record describes it, at the moment of telling."""

    patient_id: ShortText
    name: ShortText
    species: Species
    breed: ShortText | None = None
    sex: Sex | None = None
    neutered: bool | None = None
    born_on: date | None = None
    weight: Weight | None = None
    responsible_person: ShortText | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "patient_id": "P-1001",
            "name": "Invented Pepper",
            "species": "dog",
            "breed": "Beagle",
            "sex": "female",
            "neutered": True,
            "born_on": "2019-05-01",
            "weight": {"value": 11.4, "unit": "kg"},
            "responsible_person": "Invented Owner",
        },
    )


class OrderPlaced(Payload):
    """An imaging order was placed or changed; the highest ``revision`` counts.

    ``study_instance_uid`` is given with the order, so that the images made for it carry it.
    ``plan`` names a planned series of views (``schemas/plans``).
    """

    KIND: ClassVar[str] = "order_placed"

    order_id: ShortText
    revision: Annotated[int, Field(ge=1)] = 1
    study_instance_uid: Uid
    accession_number: Annotated[str, Field(min_length=1, max_length=16)]
    patient: Patient
    plan: Name
    room: Name
    scheduled_at: UtcTime
    indication: Text | None = None
    ordered_by: Name | None = None
    account: ShortText | None = None
    training: Annotated[bool, Field(description="Teaching or test: never charged")] = False
    referral: Annotated[bool, Field(description="Another practice sent the animal")] = False

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {
            "order_id": "1001",
            "study_instance_uid": "2.25.1001",
            "accession_number": "A1001",
            "patient": Patient.EXAMPLES[0],
            "plan": "dog-full-mouth",
            "room": "dental-1",
            "scheduled_at": "2026-03-02T09:00:00Z",
            "indication": "Dental examination under anaesthesia (invented)",
        },
    )

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"order:{self.order_id}:{self.revision}"


class OrderCancelled(Payload):
    """An order was cancelled in the record."""

    KIND: ClassVar[str] = "order_cancelled"

    order_id: ShortText
    reason: Text | None = None

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"order_id": "1001", "reason": "Declined"},)

    def natural_key(self, occurred_at: datetime) -> str:
        del occurred_at
        return f"order-cancelled:{self.order_id}"


class PatientDescribed(Payload):
    """The record describes an animal anew: its weight of the day, a corrected breed or name.

    The newest description counts, over what an older order said.
    """

    KIND: ClassVar[str] = "patient_described"

    patient: Patient

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = ({"patient": Patient.EXAMPLES[0]},)

    def natural_key(self, occurred_at: datetime) -> str:
        return f"patient:{self.patient.patient_id}:{occurred_at.isoformat()}"


class PatientMerged(Payload):
    """Two records turned out to be one animal: ``retired_patient_id`` now reads as the other."""

    KIND: ClassVar[str] = "patient_merged"

    kept_patient_id: ShortText
    retired_patient_id: ShortText

    EXAMPLES: ClassVar[tuple[dict[str, Any], ...]] = (
        {"kept_patient_id": "P-1001", "retired_patient_id": "P-0900"},
    )

    def natural_key(self, occurred_at: datetime) -> str:
        return f"merge:{self.retired_patient_id}:{self.kept_patient_id}:{occurred_at.isoformat()}"
